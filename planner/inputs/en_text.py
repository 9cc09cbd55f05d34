"""The text form of EN 13508-2 (annex B): its first lines say how the rest is written.

``#A`` lines name character set, separator, decimal sign and quote; a block for each
inspection follows: pairs of field codes (``#B01=``) and their values, the letters of the
columns (``#C=``), rows, and ``#Z``, which the last block may lack.
"""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import dataclass, field
from pathlib import Path

from planner.errors import Fault, FileError, shown
from planner.inputs.cells import Style
from planner.inputs.coded import CodedFile, rows_of
from planner.inputs.en_fields import HEAD, OBSERVED, Head, read_head, video_column

SCHEME = "EN 13508-2"
MAX_BYTES = 128 * 1024 * 1024
_ENCODINGS = re.compile(
    r"(iso8859-\d{1,2}|cp(125\d|437|850|852|1140)|utf-8|utf-16(-[lb]e)?|ascii|mac-roman)"
)
_LINE = re.compile(r"#(A\d|B\d{1,2}|C|Z)\b=?(.*)", re.DOTALL)
_NAMED = {"tab": "\t", "\\t": "\t", "semicolon": ";", "comma": ","}
_STYLES: dict[str, Style] = {".": "point", ",": "comma"}
_COLUMNS = (*HEAD, *(name for name in OBSERVED.values() if name != "video"), "video", "video_s")


@dataclass
class _Dialect:
    """How the file is written, by its ``#A`` lines."""

    encoding: str
    language: str = ""
    separator: str = ""
    decimal: str = ""
    quote: str = '"'
    version: str = ""

    def set(self, key: str, value: str) -> None:
        """Take one ``#A`` line."""
        plain = value.strip()
        if key == "A2":
            self.language = plain
        elif key == "A3":
            self.separator = _NAMED.get(plain.casefold(), value[:1])
        elif key == "A4":
            self.decimal = plain
        elif key == "A5":
            self.quote = plain[:1]
        elif key == "A6":
            self.version = plain

    def said(self) -> str:
        """Tell it in one line."""
        separator = {"\t": "tab", " ": "space"}.get(self.separator, self.separator)
        decimal = {".": "point", ",": "comma"}.get(self.decimal, self.decimal)
        edition = f", version {shown(self.version)}" if self.version else ""
        return (
            f"EN 13508-2 text form, separator {separator}, decimal {decimal}, "
            f"{self.encoding}{edition}"
        )


@dataclass
class _Block:
    """One inspection: header, column letters, and its rows with their lines."""

    head: Head
    letters: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


@dataclass
class _Reading:
    """What is gathered while a file is read line by line."""

    file: str
    dialect: _Dialect
    faults: list[Fault]
    blocks: list[_Block] = field(default_factory=list)
    codes: list[str] | None = None
    open: bool = False
    ended: bool = True

    def odd(self, line: int, found: str, wanted: str, *, lost: bool = True) -> None:
        """Note one line that is not as it should be."""
        self.faults.append(Fault(self.file, line, "", shown(found.strip()), wanted, lost=lost))

    def cut(self, text: str, line: int) -> list[str] | None:
        """Cut a line into cells; None, and a fault, where its quotes do not close."""
        try:
            if self.dialect.quote:
                reader = csv.reader(
                    [text],
                    delimiter=self.dialect.separator,
                    quotechar=self.dialect.quote,
                    strict=True,
                )
                return next(reader, [])
            return text.split(self.dialect.separator)
        except csv.Error:
            self.odd(line, text, "a line whose quotes close")
            return None


def is_en_text(head: str) -> bool:
    """Tell by its first lines whether a text is of this form."""
    lines = [line for line in head.lstrip("\ufeff\xef\xbb\xbf").splitlines()[:200] if line.strip()]
    marks = [line for line in lines[:1] if re.match(r"#A\d=", line)]
    return bool(marks) or any(re.match(r"#B0?1=[A-Z]{3}\b", line) for line in lines[:8])


def read_en_text(path: Path, file: str) -> CodedFile:
    """Read a file of the text form.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.

    Returns
    -------
    CodedFile
        A row for each observation, and one for each inspection in which none was coded.
        Rows that cannot be cut, or stand outside an inspection, are faults.

    Raises
    ------
    FileError
        If the file is too large, or holds no inspection.

    References
    ----------
    EN 13508-2:2003+A1:2011, annex B, as seen in the example of Kompetenzzentrum Wasser
    Berlin (MIT) and described in public.
    """
    text, dialect, faults = _decode(path, file)
    reading = _Reading(file, dialect, faults)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    _read_dialect(lines, reading)
    for number, line in _whole_lines(lines, dialect.quote):
        _take_line(line, number, reading)
    if not reading.blocks:
        message = f"{file}: no inspection in it; wanted a line #B01= with field codes"
        raise FileError(message)
    said = [dialect.said()]
    if not reading.ended:
        said.append("the last #Z is missing")
    return _coded_file(reading, "; ".join(said))


def _decode(path: Path, file: str) -> tuple[str, _Dialect, list[Fault]]:
    size = path.stat().st_size
    if size > MAX_BYTES:
        message = f"{file}: {size} bytes, more than {MAX_BYTES}; split the file"
        raise FileError(message)
    raw = path.read_bytes()
    named = re.search(rb"^(?:\xef\xbb\xbf)?#A1=([^\r\n]*)", raw[:4096], re.MULTILINE)
    written = named[1].decode("latin-1").strip() if named else ""
    wanted = _encoding_of(written)
    faults: list[Fault] = []
    tries = [wanted or "utf-8", "utf-8", "cp1252"]
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        tries = ["utf-16"]
    elif raw.startswith(b"\xef\xbb\xbf"):
        tries = ["utf-8-sig", "cp1252"]
    elif wanted.startswith(("iso", "cp")) and not raw.isascii():
        tries = _by_the_bytes(raw, wanted)
    for encoding in tries:
        try:
            text = raw.decode(encoding)
        except (UnicodeDecodeError, UnicodeError):
            continue
        if written and encoding.removesuffix("-sig") != wanted:
            found = f"#A1={shown(written)}, but the text is {encoding}"
            faults.append(Fault(file, 1, "", found, "the character set it is in", lost=False))
        return text, _Dialect(written or encoding), faults
    message = f"{file}: not text in {shown(written) or 'UTF-8'}"
    raise FileError(message)


def _encoding_of(written: str) -> str:
    """Give Python's name of a character set: ``ISO-8859-1:1998`` is iso8859-1."""
    plain = written.partition(":")[0].strip().casefold().replace("ansi", "cp1252")
    try:
        name = codecs.lookup(plain).name if plain else ""
    except (LookupError, ValueError):  # the latter where a zero byte stands in it
        return ""
    return name if _ENCODINGS.fullmatch(name) else ""


def _by_the_bytes(raw: bytes, wanted: str) -> list[str]:
    """Order what to try: text that holds together as UTF-8 is no eight-bit set."""
    tries = ["utf-8", wanted, "cp1252"]
    if wanted == "iso8859-1" and re.search(rb"[\x80-\x9f]", raw):
        tries = ["utf-8", "cp1252", wanted]
    return tries


def _read_dialect(lines: list[str], reading: _Reading) -> None:
    """Read all ``#A`` lines first; what they do not say is taken from the first ``#B01``."""
    dialect = reading.dialect
    first = ""
    for line in lines:
        found = _LINE.match(line.lstrip("\ufeff"))
        if found and found[1].startswith("A"):
            dialect.set(found[1], found[2])
        elif found and found[1].startswith("B"):
            first = found[2]
            break
    if not dialect.separator or dialect.separator.isalnum():
        between = re.match(r"\w{3}([^\w\s]|\t)", first)
        found_separator = between[1] if between else ","
        reading.odd(1, "no separator in #A3", f"#A3=; read as {found_separator}", lost=False)
        dialect.separator = found_separator
    if dialect.decimal not in _STYLES:
        reading.odd(1, f"#A4={dialect.decimal}", "#A4=. or #A4=,; read as a point", lost=False)
        dialect.decimal = "."
    if dialect.quote in (dialect.separator, "\r", "\n"):
        dialect.quote = ""


def _whole_lines(lines: list[str], quote: str) -> list[tuple[int, str]]:
    """Join lines that a quoted text spans; a line that begins with ``#`` never continues one."""
    out: list[tuple[int, str]] = []
    place = 0
    while place < len(lines):
        line, last = lines[place], place
        if quote and line.count(quote) % 2:
            last = _closing(lines, place, quote)
        out.append((place + 1, "\n".join(lines[place : last + 1]) if last > place else line))
        place = last + 1
    return out


def _closing(lines: list[str], start: int, quote: str) -> int:
    for place in range(start + 1, min(start + 20, len(lines))):
        if lines[place].startswith("#"):
            break
        if lines[place].count(quote) % 2:
            return place
    return start


def _take_line(line: str, number: int, reading: _Reading) -> None:
    if not line.strip():
        return
    found = _LINE.match(line.lstrip("\ufeff"))
    if found is None:
        _take_row(line, number, reading)
    elif found[1].startswith("B"):
        _start_head(found[1], found[2], number, reading)
    elif found[1] == "C":
        cells = reading.cut(found[2], number)
        if cells is not None and reading.open:
            reading.blocks[-1].letters = [cell.strip().upper() for cell in cells]
        reading.codes = None
    elif found[1] == "Z":
        reading.open, reading.ended, reading.codes = False, True, None


def _start_head(name: str, rest: str, number: int, reading: _Reading) -> None:
    cells = reading.cut(rest, number)
    block = reading.blocks[-1] if reading.open else None
    if block is None or (int(name[1:]) == 1 and (block.letters or block.head.fields)):
        if not reading.ended:
            reading.odd(number, "the next inspection", "#Z before it", lost=False)
        block = _Block(Head(reading.file, number))
        reading.blocks.append(block)
        reading.open, reading.ended = True, False
    reading.codes = [cell.strip().upper() for cell in cells or []]


def _take_row(line: str, number: int, reading: _Reading) -> None:
    cells = reading.cut(line, number)
    if cells is None or not any(cell.strip() for cell in cells):
        return
    if not reading.open:
        reading.odd(number, line, "a row inside an inspection, after #B01")
        return
    block = reading.blocks[-1]
    if reading.codes is not None:
        _take_head(block, reading.codes, cells, number, reading)
        reading.codes = None
        return
    if not block.letters:
        reading.odd(number, line, "a line #C= with the columns before the rows")
        return
    width = len(block.letters)
    if len(cells) > width and any(cell.strip() for cell in cells[width:]):
        wanted = f"{width} cells as in #C; quote a cell that holds the separator"
        reading.odd(number, f"{len(cells)} cells", wanted)
        return
    block.rows.append(cells[:width] + [""] * (width - len(cells)))
    block.lines.append(number)


def _take_head(
    block: _Block, codes: list[str], cells: list[str], number: int, reading: _Reading
) -> None:
    """Take the values of one header block; of a field that stands twice the first text holds."""
    block.head.line = block.head.line if block.head.fields else number
    if len([cell for cell in cells if cell.strip()]) and len(cells) > len(codes):
        found = f"{len(cells)} values for {len(codes)} field codes"
        reading.odd(number, found, "one value for each field code", lost=False)
    for code, cell in zip(codes, cells, strict=False):
        before = block.head.fields.get(code, "")
        if before.strip() and cell.strip() and before.strip() != cell.strip():
            wanted = f"one value for {code}; the first, {shown(before)}, holds"
            reading.odd(number, f"{code} again, {cell}", wanted, lost=False)
        block.head.fields[code] = before if before.strip() else cell


def _coded_file(reading: _Reading, said: str) -> CodedFile:
    columns: dict[str, list[str]] = {name: [] for name in _COLUMNS}
    lines: list[int] = []
    flags: list[tuple[str, str]] = []
    used: dict[str, int] = {}
    style = _STYLES[reading.dialect.decimal]
    unknown: set[str] = set()
    for block in reading.blocks:
        head = read_head(block.head, style, reading.faults)
        head["edition"] = head["edition"] or reading.dialect.version
        head = {name: _in_style(head[name], name, style) for name in HEAD}
        head["inspection_id"] = _own_id(head["inspection_id"], used, reading.file, flags)
        count = max(1, len(block.rows))
        for name in HEAD:
            columns[name] += [head[name]] * count
        _add_rows(block, columns, count)
        lines += block.lines or [block.head.line]
        unknown |= {letter for letter in block.letters if letter not in OBSERVED}
    flags += _running_numbers(reading)
    if unknown:
        letters = ", ".join(shown(letter) or "(blank)" for letter in sorted(unknown))
        flags.append((reading.file, f"columns not used: {letters}"))
    rows = rows_of(reading.file, columns, lines, reading.faults, reading.dialect.encoding, style)
    return CodedFile(rows, SCHEME, said=(said,), flags=flags)


def _in_style(text: str, name: str, style: Style) -> str:
    """Write a number of a header as the rows of the file write theirs."""
    is_number = name.endswith(("_m", "_mm"))
    return text.replace(".", ",") if is_number and style == "comma" else text


def _own_id(wanted: str, used: dict[str, int], file: str, flags: list[tuple[str, str]]) -> str:
    wanted = wanted or "run"
    used[wanted] = used.get(wanted, 0) + 1
    if used[wanted] == 1:
        return wanted
    own = f"{wanted}~{used[wanted]}"
    flags.append((own, f"{file}: pipe, start node and day are those of {wanted}; kept apart"))
    return own


def _add_rows(block: _Block, columns: dict[str, list[str]], count: int) -> None:
    taken: dict[str, list[str]] = {}
    by_place = list(zip(*block.rows, strict=True)) if block.rows else []
    for letter, cells in zip(block.letters, by_place, strict=False):
        name = OBSERVED.get(letter, "")
        if not name:
            continue
        if name == "video":
            name = video_column(list(cells))
        if name in taken:  # a letter that stands twice: the first text holds
            taken[name] = [a if a.strip() else b for a, b in zip(taken[name], cells, strict=True)]
        else:
            taken[name] = list(cells)
    for name in columns:
        if name not in HEAD:
            columns[name] += taken.get(name, [""] * count)


def _running_numbers(reading: _Reading) -> list[tuple[str, str]]:
    """Tell where pipe references are mere numbers of inspections: one pair of nodes, two names."""
    names: dict[frozenset[str], set[str]] = {}
    for block in reading.blocks:
        pair = frozenset(filter(None, (block.head.get("AAD"), block.head.get("AAF"))))
        if len(pair) == 2 and block.head.get("AAA"):
            names.setdefault(pair, set()).add(block.head.get("AAA"))
    doubled = sum(len(some) > 1 for some in names.values())
    if not doubled:
        return []
    what = f"{doubled} pairs of nodes have two pipe references: parallel pipes, or mere numbers"
    return [(reading.file, what)]
