"""Errors as problem details (RFC 9457): what, where, what to do; never anything of the input."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import HTTPException
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from gateway.errors import GatewayError, LedgerError, MappingError, OutputError, UsageError

MEDIA_TYPE = "application/problem+json"

TITLES = {
    400: "The request cannot be understood",
    401: "A token is needed",
    403: "This is not allowed",
    404: "There is no such thing here",
    405: "This cannot be done with it",
    406: "None of the forms asked for can be given",
    408: "The request took too long to arrive",
    409: "This cannot be done now",
    413: "The request is too large",
    415: "This form of content is not read",
    422: "What was sent cannot be used",
    429: "Too many requests",
    500: "A fault in the gateway itself",
    503: "The service is busy",
}


class Fault(BaseModel):
    """One mistake, with its place."""

    what: str
    where: str = ""
    todo: str = ""


class Problem(BaseModel):
    """Why a request was not carried out (RFC 9457)."""

    type: str = "about:blank"
    title: str
    status: Annotated[int, Field(ge=400, le=599)]
    detail: str = ""
    todo: str = ""
    problems: list[Fault] = []


class Refused(HTTPException):
    """A request that is not carried out.

    Args:
        status: HTTP status.
        what: what is wrong, as a sentence without its final stop.
        todo: what the client can do about it.
        problems: every mistake, where there are several.
        headers: of the answer.
    """

    def __init__(
        self,
        status: int,
        what: str,
        todo: str = "",
        problems: Sequence[Fault] = (),
        headers: dict[str, str] | None = None,
    ) -> None:
        super().__init__(status, what, headers)
        self.todo = todo
        self.problems = list(problems)


def faults(error: GatewayError) -> list[Fault]:
    """The mistakes of an error, each with its place."""
    listed = error.problems if isinstance(error, MappingError) and error.problems else [error]
    return [Fault(what=each.what, where=each.where, todo=each.todo) for each in listed]


def refused(error: GatewayError) -> Refused:
    """An error of the gateway as an answer."""
    status = 422
    if isinstance(error, LedgerError):
        status = 503
    elif isinstance(error, OutputError):
        status = 500
    elif isinstance(error, UsageError):
        status = 422
    return Refused(status, error.what, error.todo, faults(error))


def response(
    status: int,
    what: str,
    todo: str = "",
    problems: Sequence[Fault] = (),
    headers: dict[str, str] | None = None,
) -> JSONResponse:
    """The answer that tells a problem."""
    body = Problem(
        title=TITLES.get(status, "The request was not carried out"),
        status=status,
        detail=what,
        todo=todo,
        problems=list(problems),
    )
    return JSONResponse(body.model_dump(), status, headers, MEDIA_TYPE)


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The problem answers of an endpoint, for its OpenAPI description."""
    return {
        status: {
            "description": TITLES[status],
            "content": {
                MEDIA_TYPE: {
                    "schema": {"$ref": "#/components/schemas/Problem"},
                    "example": {
                        "type": "about:blank",
                        "title": TITLES[status],
                        "status": status,
                        "detail": "",
                        "todo": "",
                        "problems": [],
                    },
                }
            },
        }
        for status in sorted({*statuses, 400, 401, 403, 422, 429})
    }
