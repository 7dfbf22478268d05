"""Holds many connections to a server and keeps it waiting on each: ``python flood.py PORT KIND COUNT [KEY]``.

A connection that the server closes is opened again one to three seconds later. Prints ``ready`` once every connection
was tried. Nothing but the standard library, so that it can be run against any version.
"""

import asyncio
import itertools
import random
import resource
import sys

port, kind, count = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
key = sys.argv[4] if len(sys.argv) > 4 else ""
drawn = random.Random(7)
WHO = f"Authorization: {key}" if key else "X-None: 1"
HEAD = (
    f"POST /api/measure HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
    f"Content-Type: application/json\r\nContent-Length: 2000\r\n{WHO}\r\n\r\n"
).encode()


async def wait(first):
    """One connection after another; a byte a second where the kind says so."""
    while True:
        writer = None
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            closed = asyncio.ensure_future(reader.read())
            first.set()
            if kind == "body":
                writer.write(HEAD)
            sent = itertools.chain(HEAD if kind == "head" else b"", itertools.repeat(32))
            while not closed.done():
                await asyncio.wait([closed], timeout=1)
                if kind != "idle":
                    writer.write(bytes([next(sent)]))
            closed.exception()
        except OSError:
            pass
        finally:
            first.set()
            if writer is not None:
                writer.close()
        await asyncio.sleep(drawn.uniform(1, 3))


async def main():
    events = [asyncio.Event() for _ in range(count)]
    tasks = [asyncio.ensure_future(wait(event)) for event in events]
    await asyncio.wait([asyncio.ensure_future(event.wait()) for event in events])
    print("ready", flush=True)
    await asyncio.gather(*tasks)


hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, count + 200) if hard > 0 else count + 200, hard))
asyncio.run(main())
