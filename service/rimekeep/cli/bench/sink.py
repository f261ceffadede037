"""
A receiver of webhooks that takes everything at once, as a process of its own; prints its port.

POST is answered 204 and counted; GET tells how many there were.
"""

import asyncio
import sys


async def serve() -> None:
    """Answer without end."""
    taken = 0

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal taken
        try:
            while head := await reader.readuntil(b"\r\n\r\n"):
                is_post = head.startswith(b"POST")
                for line in head.lower().split(b"\r\n"):
                    if line.startswith(b"content-length:"):
                        await reader.readexactly(int(line.partition(b":")[2]))
                taken += is_post
                told = b"" if is_post else str(taken).encode()
                status = b"204 No Content\r\n" if is_post else b"200 OK\r\nContent-Length: %d\r\n" % len(told)
                writer.write(b"HTTP/1.1 " + status + b"\r\n" + told)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    sys.stdout.write(f"{server.sockets[0].getsockname()[1]}\n")
    sys.stdout.flush()
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(serve())
