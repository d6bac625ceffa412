"""Files of some pages each out of a PDF that reportlab wrote: drawn once, with the fonts once, and not drawn again."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

_REFERENCE = re.compile(rb"(\d+) 0 R")
_HEAD = b"%PDF-1.3\n%\x93\x8c\x8b\x9e\n"


def split_pages(data: bytes, counts: Sequence[int]) -> Iterator[bytes]:
    """Whole PDFs of the first ``counts[0]`` pages of one, of the next ``counts[1]``, and so on.

    Objects keep their numbers, so that they are copied as they lie. ``data`` has its table of objects at the end and
    its pages in one list, as reportlab writes them.
    """
    table = int(data[data.rindex(b"startxref") + 9 :].split()[0])
    entries, _, trailer = data[table:].partition(b"trailer")
    starts = {n: int(line[:10]) for n, line in enumerate(entries.splitlines()[2:]) if line.rstrip().endswith(b"n")}
    ends = dict(zip(sorted(starts.values()), [*sorted(starts.values())[1:], table], strict=True))
    objects = {n: data[at : ends[at]] for n, at in starts.items()}
    root, info = (int(re.findall(rb"/%b (\d+) 0 R" % name, trailer)[0]) for name in (b"Root", b"Info"))
    (pages,) = (int(n) for n in re.findall(rb"/Pages (\d+) 0 R", objects[root]))
    kids = _references(re.findall(rb"/Kids \[(.*?)\]", objects[pages], re.DOTALL)[0])
    needs = {n: _references(part.partition(b"stream\n")[0]) for n, part in objects.items() if n != info}
    first = 0
    for count in counts:
        mine, first = kids[first : first + count], first + count
        wanted, ahead = {root, pages, info}, list(mine)
        while ahead:
            n = ahead.pop()
            if n not in wanted:
                wanted.add(n)
                ahead += needs[n]
        listed = b"%d 0 obj\n<<\n/Count %d /Kids [ %b ] /Type /Pages\n>>\nendobj\n" % (
            pages, len(mine), b" ".join(b"%d 0 R" % n for n in mine),
        )  # fmt: skip
        yield _whole({n: listed if n == pages else objects[n] for n in sorted(wanted)}, trailer)


def _references(part: bytes) -> list[int]:
    return [int(n) for n in _REFERENCE.findall(part)]


def _whole(objects: dict[int, bytes], trailer: bytes) -> bytes:
    """A file of some objects by number, each at the place that its table says."""
    out, rows, at = [_HEAD], [b"xref\n0 1\n0000000000 65535 f \n"], len(_HEAD)
    for n, part in objects.items():
        rows.append(b"%d 1\n%010d 00000 n \n" % (n, at))
        out.append(part)
        at += len(part)
    return b"".join([*out, *rows, b"trailer", trailer.partition(b"startxref")[0], b"startxref\n%d\n%%%%EOF\n" % at])
