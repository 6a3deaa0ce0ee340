"""A server that takes transactions with conditional creates and updates, in a process of its own.

    python -m tests.nightly.fhir_listener FILE [PORT]

It prints its port, and writes each record that it creates to the file, one JSON object a line, before it answers.
"""

from __future__ import annotations

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Lock
from typing import Any


class Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, path: str, port: int) -> None:
        super().__init__(("127.0.0.1", port), Talk)
        self.file = Path(path).open("a+", encoding="utf-8")  # noqa: SIM115 (until the process ends)
        self.file.seek(0)
        self.known = {(record["kind"], record["condition"]): record["id"] for record in map(json.loads, self.file)}
        self.turn = Lock()

    def take(self, entry: dict[str, Any]) -> dict[str, Any]:
        request, resource = entry["request"], entry["resource"]
        kind, _, query = request["url"].partition("?")
        key = (kind, request.get("ifNoneExist") or query)
        status = "200 OK" if key in self.known else "201 Created"
        if key not in self.known:
            self.known[key] = str(len(self.known) + 1)
            told = {"kind": kind, "condition": key[1], "id": self.known[key], "status": resource.get("status")}
            self.file.write(json.dumps(told) + "\n")
        return {"response": {"status": status, "location": f"{kind}/{self.known[key]}/_history/1"}}


class Talk(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Server

    def do_POST(self) -> None:
        data = self.rfile.read(int(self.headers["Content-Length"]))
        if len(data) < int(self.headers["Content-Length"]):
            return  # the sender was ended in the middle of it
        with self.server.turn:
            entries = [self.server.take(entry) for entry in json.loads(data)["entry"]]
            self.server.file.flush()
        answer = json.dumps({"resourceType": "Bundle", "type": "transaction-response", "entry": entries}).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, *_: Any) -> None:
        pass


if __name__ == "__main__":
    server = Server(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 0)
    print(server.server_address[1], flush=True)
    server.serve_forever()
