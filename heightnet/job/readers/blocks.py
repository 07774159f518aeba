"""Looking through XML before a parser sees it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO

BLOCK = 2**20  # bytes looked through at a time


def blocks(stream: IO[bytes]) -> Iterator[bytes]:
    """A stream in blocks that overlap, as ASCII however wide its characters are written."""
    tail = b""
    while block := stream.read(BLOCK):
        yield (tail + block).replace(b"\0", b"")
        tail = block[-256:]


def declares(block: bytes) -> bool:
    """Whether it holds a document type or an entity: they can make a small file grow without end."""
    return b"<!DOCTYPE" in block or b"<!ENTITY" in block
