"""The whole chunks of an MCAP file, however it was cut or damaged.

Chunks are found by their mark, not by walking from length to length: one bad length then costs
one chunk. Only a chunk whose CRC-32 holds is believed. mcap's own readers give nothing on a cut
file, or stop at the first bad chunk; hence this one, for the files that `store` writes.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from mmap import mmap
from typing import NamedTuple

import zstandard
from mcap.opcode import Opcode

MAGIC = b"\x89MCAP0\r\n"
# opcode, record length, start, end, uncompressed size, crc, then a string and a byte count
CHUNK_HEAD = struct.Struct("<BQQQQI")
MARK = struct.pack("<I4s", 4, b"zstd")
COUNT = struct.Struct("<Q")
BODY_AT = CHUNK_HEAD.size + len(MARK) + COUNT.size  # of the chunk's bytes, from its start
RECORD_HEAD = struct.Struct("<BQ")
MESSAGE_HEAD = struct.Struct("<HIQQ")
FOOTER = struct.Struct("<BQQQI")  # opcode, length, summary start, offsets start, summary crc
FOOTER_BYTES = 20  # what a footer's own length must say
DATA_END_BYTES = RECORD_HEAD.size + 4
CONTENT_MAX = 64 * 1024 * 1024  # bytes; a damaged size must not ask for all memory


class Message(NamedTuple):
    """One message of a chunk."""

    channel: int
    number: int
    data: bytes


class Chunk(NamedTuple):
    """A whole chunk: its content, and the place of its first byte and of the byte after it."""

    content: bytes
    start: int
    end: int


class Damage(NamedTuple):
    """A chunk that is not whole, and what is the matter with it."""

    start: int
    words: str


def find_chunks(data: mmap) -> Iterator[Chunk | Damage]:
    """All chunks in order; bytes that only look like one inside a damaged one are passed over."""
    at, damaged = len(MAGIC), False
    while (mark := data.find(MARK, at)) >= 0:
        start = mark - CHUNK_HEAD.size
        found = _chunk_at(data, start) if start >= 0 and data[start] == Opcode.CHUNK else None
        if isinstance(found, Chunk):
            yield found
            damaged = False
        elif found is not None and not damaged:
            yield found
            damaged = True
        at = found.end if isinstance(found, Chunk) else mark + 1


def _chunk_at(data: mmap, start: int) -> Chunk | Damage:
    if start + BODY_AT > len(data):
        return Damage(start, "the file ends inside the chunk")
    _, length, _, _, size, crc = CHUNK_HEAD.unpack_from(data, start)
    (count,) = COUNT.unpack_from(data, start + BODY_AT - COUNT.size)
    # The length stands there twice: either one will do if the checksum then holds. The shorter
    # first, for zstd takes no offence at bytes after its frame: those of the next chunks.
    cut = True
    for end in sorted({start + BODY_AT + count, start + RECORD_HEAD.size + length}):
        if start + BODY_AT < end <= len(data):
            cut = False
            content = _unpack(data[start + BODY_AT : end], size)
            if content is not None and zlib.crc32(content) == crc:
                return Chunk(content, start, end)
    return Damage(start, "the file ends inside the chunk" if cut else "its checksum is wrong")


def _unpack(body: bytes, size: int) -> bytes | None:
    try:
        if max(zstandard.frame_content_size(body), size) > CONTENT_MAX:
            return None
        return zstandard.decompress(body, size)
    except (zstandard.ZstdError, ValueError, MemoryError):
        return None


def messages(content: bytes) -> Iterator[Message]:
    """The messages of a chunk's content. Raises struct.error where it is not made of records."""
    at = 0
    while at < len(content):
        opcode, length = RECORD_HEAD.unpack_from(content, at)
        at += RECORD_HEAD.size
        if opcode == Opcode.MESSAGE:
            channel, number, _, _ = MESSAGE_HEAD.unpack_from(content, at)
            yield Message(channel, number, content[at + MESSAGE_HEAD.size : at + length])
        at += length


def check_ends(data: mmap, chunks_whole: bool = True) -> str:
    """What is wrong with the file outside its chunks, in words; "" when all is well.

    Its data checksum covers the chunks as well, so it is asked only while they are whole.
    """
    if data[: len(MAGIC)] != MAGIC:
        return "the first bytes are not those of an MCAP file"
    at = len(data) - len(MAGIC) - FOOTER.size
    if at < 0 or data[-len(MAGIC) :] != MAGIC:
        return "the log was not closed: what came after its last whole chunk is lost"
    opcode, length, summary, _, crc = FOOTER.unpack_from(data, at)
    if (opcode, length) != (Opcode.FOOTER, FOOTER_BYTES) or not DATA_END_BYTES < summary <= at:
        return "the footer is damaged"
    if crc != zlib.crc32(data[summary : at + FOOTER.size - 4]):
        return "the summary at the end is damaged; no record stands in it"
    data_end = summary - DATA_END_BYTES
    head = RECORD_HEAD.unpack_from(data, data_end)
    (crc,) = struct.unpack_from("<I", data, data_end + RECORD_HEAD.size)
    with memoryview(data) as view, view[:data_end] as part:
        bad = head != (Opcode.DATA_END, 4) or crc != zlib.crc32(part)
        if bad and chunks_whole:
            return "the bytes between the chunks are damaged; no record stands there"
    return ""
