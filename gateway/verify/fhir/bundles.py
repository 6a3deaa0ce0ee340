"""The plain reading of Bundles: entries, requests, and references inside."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import unquote

from gateway.verify.fhir.datatypes import (
    QUERY,
    UUID,
    read_identifier,
    read_instant,
    read_list,
    read_object,
    search_token,
)
from gateway.verify.fhir.elements import SEARCH, read_id
from gateway.verify.fhir.problems import Problem, Say
from gateway.verify.fhir.resources import Resource, read_resource
from gateway.verify.fhir.text import no_blanks
from gateway.verify.published import quotable, words

UPDATED = words("preliminary final corrected entered-in-error")
"""What a record that is put in the place of another may be (code system observation-status, FHIR R4 4.0.1): a
preliminary one may change and may become final, and a state that is sent whole holds what never changed."""
REPLACING = words("corrected entered-in-error")
"""Statuses that only follow a record already given out."""
BUNDLE_TYPES = words(
    "document message transaction transaction-response batch batch-response history searchset collection"
)
UUID8 = re.compile(rb"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")


def read_request(value: Any, say: Say) -> tuple[str, str, str]:
    """Check entry.request; returns method, url and ifNoneExist."""
    request = read_object(value, say, "request", "method url ifNoneExist")
    method, url, query = (request.get(key, "") for key in ("method", "url", "ifNoneExist"))
    if method not in ("POST", "PUT"):
        say("request.method is neither POST nor PUT")
    if not isinstance(url, str) or not url:
        say("request.url is missing")
        url = ""
    if "ifNoneExist" in request and (not isinstance(query, str) or not QUERY.fullmatch(query.partition("=")[2])):
        say("request.ifNoneExist is not a search with its reserved characters percent-encoded")
        query = ""
    if method == "PUT":
        if "ifNoneExist" in request:
            say("request.ifNoneExist does not belong in a PUT")
        if "?" in url and not QUERY.fullmatch(url.partition("=")[2]):
            say("request.url is not a search with its reserved characters percent-encoded")
    return method, url, query


def check_request(request: tuple[str, str, str], resource: Resource, say: Say) -> None:
    """Say where a request does not ask for the resource that it stands beside."""
    method, url, query = request
    system, value = resource.identifier
    token = (system, value) if system else (value,)
    if method == "PUT":
        kind, _, search = url.partition("?")
        name, _, text = search.partition("=")
        if resource.type != "Observation":
            say("request.method PUT is for Observations only")
        if not value or kind != resource.type or name != "identifier" or search_token(unquote(text)) != token:
            say("request.url of a PUT does not ask for the identifier of the resource")
        if resource.status not in UPDATED:
            say("status of a PUT is not final, corrected, entered-in-error or preliminary")
        return
    if resource.status in REPLACING:
        say("status says that the record replaces another, so request.method must be PUT")
    if url != resource.type:
        say("request.url is not the type of the resource")
    if not value:
        say("the resource has nothing to be known again by, so delivering twice would record twice")
        return
    if not query:
        say("request.ifNoneExist is missing, so delivering twice would record twice")
        return
    name, _, text = query.partition("=")
    if name != resource.parameter or search_token(unquote(text)) != token:
        what = "tag" if resource.parameter == "_tag" else "identifier"
        say(f"request.ifNoneExist does not ask for the {what} of the resource")


def check_bundle(bundle: dict[str, Any], found: list[Problem], us_core: bool) -> None:
    """Check a Bundle whole: its head, its entries, and what they say of each other."""

    def whole(what: str) -> None:
        found.append(Problem(-1, what))

    kind = read_bundle_head(bundle, whole)
    entries = read_list(bundle.get("entry"), whole, "entry")
    places: dict[str, str] = {}
    identifiers: dict[tuple[str, str, str], int] = {}
    resources: list[Resource] = []
    done: dict[str, tuple[str, str]] = {}
    for index, item in enumerate(entries):

        def say(what: str, index: int = index) -> None:
            found.append(Problem(index, what))

        entry = read_object(item, say, "entry", "fullUrl resource request response search link")
        if "response" in entry:
            say(f"bdl-4: entry.response does not belong in a {quotable(kind)}")
        if "search" in entry:
            say("bdl-2: entry.search only belongs in a search result")
        if ("request" in entry) != (kind in ("transaction", "batch")):
            say("bdl-3: entry.request is required in a transaction and not allowed in a collection")
        if not entry.keys() & {"resource", "request", "response"}:
            say("bdl-5: an entry needs a resource, a request or a response")
        body = entry.get("resource")
        if not isinstance(body, dict):
            say("an entry without a resource is not one the gateway writes")
            body = {}
        resource = read_resource(body, say, us_core=us_core, bundled=True) if body else Resource("")
        resources.append(resource)
        url = entry.get("fullUrl")
        check_full_url(url, resource, places, say)
        method = ""
        if "request" in entry:
            no_blanks(entry["request"], say, "request")
            request = read_request(entry["request"], say)
            method = request[0]
            check_request(request, resource, say)
        if isinstance(url, str):
            done[url] = method, resource.status
        if resource.identifier[1]:
            key = (resource.type, *resource.identifier)
            if key in identifiers:
                say("the identifier stands in the bundle twice")
            identifiers[key] = index
    for index, resource in enumerate(resources):
        for reference, target in resource.references:
            if fault := unresolved(reference, target, places):
                found.append(Problem(index, fault))
            if reference.startswith(SEARCH) and kind != "transaction":
                found.append(Problem(index, "a conditional reference only belongs in a transaction"))
        if resource.type == "Provenance":
            faults = [_misstated(resource, *done[target]) for target in resource.targets if target in done]
            found += [Problem(index, fault) for fault in dict.fromkeys(filter(None, faults))]


def _misstated(provenance: Resource, method: str, status: str) -> str:
    """What is wrong with what a Provenance says was done to a record in its bundle, or "".

    Args:
        provenance: the Provenance.
        method: how the record is sent; "" in a collection.
        status: status of the record.
    """
    activity = provenance.activity
    if (status == "entered-in-error") != (activity == "NULLIFY"):
        return "Provenance.activity: NULLIFY is for records entered in error, and nothing else is for them"
    if method == "POST" and not (activity == "CREATE" and provenance.explained):
        return "Provenance.activity: of a conditional create it says CREATE, and that a record there before was left"
    if (method == "PUT" or status == "corrected") and activity not in ("UPDATE", "NULLIFY"):
        return "Provenance.activity: a record that changes is named by an UPDATE"
    return ""


def read_bundle_head(bundle: dict[str, Any], say: Say) -> str:
    """Check what a Bundle says of itself; returns its type."""
    if bundle.get("resourceType") != "Bundle":
        say("resourceType is not Bundle")
    allowed = "resourceType id meta identifier type timestamp total link entry signature"
    read_object(bundle, say, "Bundle", allowed)
    kind = bundle.get("type")
    if not isinstance(kind, str) or kind not in BUNDLE_TYPES:
        say("type is not a code of bundle-type")
        kind = ""
    elif kind not in ("transaction", "collection"):
        say("type is neither transaction nor collection, the two the gateway writes")
    if "total" in bundle:
        say("bdl-1: total only belongs in a search result or a history")
    if "id" in bundle:
        read_id(bundle["id"], say)
    if "identifier" in bundle:
        read_identifier(bundle["identifier"], say, "Bundle.identifier")
    if "timestamp" in bundle:
        read_instant(bundle["timestamp"], say, "timestamp")
    return kind


def check_full_url(url: Any, resource: Resource, places: dict[str, str], say: Say) -> None:
    """Check the address of an entry, and take it down among the places of the bundle."""
    if not isinstance(url, str):
        say("fullUrl is missing, so nothing can refer to the entry")
        return
    if "/_history/" in url:
        say("bdl-8: fullUrl must not name a version")
    if not UUID.fullmatch(url):
        say("fullUrl is not a urn:uuid in lower case")
    elif resource.type == "Observation" and not UUID8.fullmatch(url.encode()):
        say("fullUrl of an Observation is not a UUID of version 8")
    if url in places:
        say("bdl-7: fullUrl stands in the bundle twice")
    places[url] = resource.type


def unresolved(reference: str, target: str, places: dict[str, str]) -> str:
    """What is wrong with a reference inside a bundle, or ""."""
    if not reference.startswith("urn:"):
        return ""
    kind = places.get(reference)
    if kind is None:
        return "a urn:uuid reference points at nothing in the bundle"
    return "a reference points at an entry of another type" if target and kind != target else ""
