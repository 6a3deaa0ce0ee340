"""A listener by the library hl7, in a process of its own.

    python -m tests.nightly.mllp_listener FILE [PORT [UNKNOWN]]

It prints its port, writes each message to the file, one JSON string a line, and only then acknowledges it. Messages
whose control id is UNKNOWN are not written, and refused: AR, because it does not know the patient.
"""

from __future__ import annotations

import asyncio
import json
import sys
from typing import Any

import hl7
import hl7.mllp

_UNKNOWN_PATIENT = "ERR||PID^1^3|204^Unknown key identifier^HL70357|E\r"


async def serve(path: str, port: int, unknown: str = "") -> None:
    with open(path, "a", encoding="utf-8") as file:

        async def talk(reader: Any, writer: Any) -> None:
            try:
                while True:
                    message = await reader.readmessage()
                    if str(message.segment("MSH")(10)) == unknown:
                        writer.writemessage(hl7.parse(str(message.create_ack("AR")) + _UNKNOWN_PATIENT))
                        await writer.drain()
                        continue
                    file.write(json.dumps(str(message)) + "\n")
                    file.flush()
                    writer.writemessage(message.create_ack())
                    await writer.drain()
            except (asyncio.IncompleteReadError, OSError):
                writer.close()

        server = await hl7.mllp.start_hl7_server(talk, "127.0.0.1", port, encoding="utf-8")
        print(server.sockets[0].getsockname()[1], flush=True)
        await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 0, *sys.argv[3:]))
