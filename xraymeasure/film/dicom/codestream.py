"""Whether a compressed stream is whole and belongs to its film, before a decoder meets it.

Decoders return what they have when a stream ends early, and some end the whole program on a
header that contradicts itself; both are caught here from the markers alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

# ISO/IEC 10918-1 table B.1 and ISO/IEC 14495-1 annex C.
_START, _END, _TABLES, _SCAN, _LS_FRAME = 0xD8, 0xD9, 0xC4, 0xDA, 0xF7
_FRAMES = {0xC0, 0xC1, 0xC2, 0xC3, _LS_FRAME}
_LOSSLESS = 0xC3
# Within coded data 0xFF is followed by a stuffed byte, or by a marker; RSTn belong to the data.
_MARKER = re.compile(rb"\xff+([^\x00\xff\xd0-\xd7])")
_LS_MARKER = re.compile(rb"\xff+([\x80-\xfe])")
_J2K_START = b"\xff\x4f\xff\x51"
_J2K_END = b"\xff\xd9"


def jpeg_fault(stream: bytes, rows: int, columns: int, samples: int) -> str | None:
    """Return what is wrong with a JPEG or JPEG-LS stream of this size, or None.

    Checked are the order and lengths of its segments, the frame header against the film, the
    code tables and the end; the coded data themselves are left to the decoder.
    """
    try:
        frame = tables = scans = 0
        for marker, body in _segments(stream):
            if marker in _FRAMES:
                size = body[1:3] + body[3:5] + body[5:6]
                expected = rows.to_bytes(2, "big") + columns.to_bytes(2, "big") + bytes([samples])
                if frame or size != expected or len(body) != 6 + 3 * samples:
                    return "its frame header contradicts the film"
                if not 2 <= body[0] <= 16:
                    return "its frame header states an impossible depth"
                frame = marker
            elif marker == _TABLES:
                tables += _code_tables(body)
            elif marker == _SCAN:
                count = body[0]
                if not frame or not 1 <= count <= samples or len(body) != 4 + 2 * count:
                    return "its scan header is damaged"
                if frame == _LOSSLESS and not (1 <= body[-3] <= 7 and tables):
                    return "its scan header is damaged"
                scans += 1
        return None if scans else "it holds no scan"
    except (IndexError, ValueError):
        return "it ends early or its segments are damaged"


def jpeg2000_fault(stream: bytes, rows: int, columns: int, samples: int) -> str | None:
    """Return what is wrong with a JPEG 2000 code stream of this size, or None.

    Checked are its start, the size it states (ISO/IEC 15444-1, A.5.1) and its end marker.
    """
    # Some writers leave the boxes of a JP2 file in front of the code stream.
    start = stream.find(_J2K_START, 0, 4096)
    if start < 0:
        return "it does not start as a code stream"
    stream = stream[start:]
    length, _, right, lower, left, upper = (
        int.from_bytes(stream[at : at + size], "big")
        for at, size in ((4, 2), (6, 2), (8, 4), (12, 4), (16, 4), (20, 4))
    )
    stated = int.from_bytes(stream[40:42], "big")
    if (lower - upper, right - left, stated) != (rows, columns, samples):
        return "its header contradicts the film"
    if length != 38 + 3 * samples or any(stream[42 + 3 * i] & 0x7F > 15 for i in range(samples)):
        return "its header is damaged"
    # A few bytes of padding may follow the end.
    return None if _J2K_END in stream[-16:] else "it ends early"


def _segments(stream: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield each marker with its segment, up to the end marker; ValueError where there is none."""
    if stream[:2] != bytes([0xFF, _START]):
        raise ValueError
    place, find = 2, _MARKER
    while True:
        if stream[place] != 0xFF:
            raise ValueError
        while stream[place] == 0xFF:
            place += 1
        marker = stream[place]
        place += 1
        if marker == _END:
            return
        length = int.from_bytes(stream[place : place + 2], "big")
        if length < 2 or place + length > len(stream) or marker < 0xC0:
            raise ValueError
        if marker == _LS_FRAME:
            find = _LS_MARKER
        yield marker, stream[place + 2 : place + length]
        place += length
        if marker == _SCAN:
            following = find.search(stream, place)
            if following is None:
                raise ValueError
            place = following.start()


def _code_tables(body: bytes) -> int:
    """Return how many Huffman tables a segment defines; ValueError where one is no code."""
    tables = place = 0
    while place < len(body):
        counts = body[place + 1 : place + 17]
        total = sum(counts)
        # Kraft's inequality: codes of length n take up 2^-n of the code space, all of it at most.
        space = sum(count << (16 - length) for length, count in enumerate(counts, start=1))
        if len(counts) != 16 or total > 256 or space > 1 << 16:
            raise ValueError
        place += 17 + total
        tables += 1
    if place != len(body):
        raise ValueError
    return tables
