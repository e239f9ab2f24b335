"""Headers gone wrong by the thousand, in a process whose memory is limited.

``python -m tests.audio.fuzzing COUNT`` prints how many were read and refused, the longest time and
the most memory; anything but a plain refusal is raised.
"""

from __future__ import annotations

import random
import resource
import sys
import tempfile
import time
from pathlib import Path

from cleanchain.audio.files import open_source
from cleanchain.audio.source import read_all
from cleanchain.errors import CleanchainError
from tests.audio.test_chunks import SEEDS, look

#: Address space that the process may take beyond what it has at the start, bytes.
ROOM_BYTES = 200_000_000
_PIECES = [
    b"\xff" * 4, b"\xff" * 8, b"\0" * 4, b"\0" * 8, b"\x7f\xff\xff\xff", b"data", b"LIST", b"ds64",
    b"fmt ", b"RIFF", b"RF64", b"WAVE", b"FORM", b"COMM", b"SSND", b"caff", b"desc", b"bext",
]  # fmt: skip


def gone_wrong(rng: random.Random) -> bytes:
    """One of the files of the tests with up to eight places changed, most of them in its header."""
    data = bytearray(rng.choice(SEEDS)[:3000])
    for _ in range(rng.randrange(9)):
        at = rng.randrange(min(len(data), rng.choice((64, 200, 3000))) or 1)
        new = rng.choice(_PIECES) if rng.random() < 0.5 else rng.randbytes(rng.randrange(1, 13))
        data[at : at + (0 if rng.random() < 0.2 else len(new))] = new
    return bytes(data[: max(len(data) - rng.choice((0, 0, rng.randrange(200))), 0)])


def main(count: int) -> None:
    """Try that many."""
    rng = random.Random(20_260)
    outcomes = {"read": 0, "refused": 0}
    slowest_s = 0.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.wav"
        path.write_bytes(SEEDS[0])
        read_all(open_source(path))  # all that is imported, before the limit is set
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + ROOM_BYTES
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        for number in range(count):
            data = gone_wrong(rng)
            path.write_bytes(data)
            started = time.process_time()
            look(data)
            try:
                read_all(open_source(path, salvage=number % 2 == 1))
                outcomes["read"] += 1
            except CleanchainError:
                outcomes["refused"] += 1
            slowest_s = max(slowest_s, time.process_time() - started)
    grown = 1024 * (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
    print(
        f"{count} headers: {outcomes['read']} read, {outcomes['refused']} refused; "
        f"slowest {slowest_s:.3f} s, {grown / 1e6:.1f} MB more memory than at the start"
    )
    assert slowest_s < 1.0


if __name__ == "__main__":
    main(int(sys.argv[1]))
