"""Nobody is identified: what is refused by name or by content, and the keyed hash of ids.

The patterns are in the common part of Python's and DuckDB's regular expressions, so that one text
serves both. They find what looks like an e-mail address, a phone number or a street address;
a person's name cannot be found by its look, so columns of names are refused by their title.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as compute

from failstats.errors import InputError

__all__ = [
    "PATTERNS", "Key", "identifying_title", "looks_identifying", "refuse_identifiers", "suspicious",
]  # fmt: skip

SHORTEST_KEY = 8  # bytes; a shorter one is guessed
PROBE = "failstats"  # hashed with the key at the first load, to know a wrong key at the next
LONGEST_TEXT = 80  # characters; a longer text is free text, which is not loaded
# id columns that name the same kind of thing share a domain, so that they still join
DOMAINS = {
    "unit_id": "unit",
    "job_id": "job",
    "continues": "job",
    "building_id": "building",
    "technician_id": "technician",
}
HASH_BYTES = 16

PATTERNS = {
    "an e-mail address": r"[A-Za-z0-9._%+-]+@[A-Za-z0-9-]+\.[A-Za-z]{2,}",
    "a phone number": (
        r"\+\d[\d ().-]{7,}\d|\(\d{2,5}\)[ .-]?\d[\d .-]{4,}\d"
        r"|\b\d{3}[ .-]\d{3}[ .-]\d{4}\b|\b0\d{2,4}[ /]\d{5,8}\b"
    ),
    "a street address": (
        r"(?i)\b\d{1,5}[a-z]? +(?:[a-z][a-z.'-]* +){1,4}(?:street|st|avenue|ave|road|rd|lane|ln"
        r"|drive|dr|boulevard|blvd|court|ct|place|pl|terrace|highway|hwy|parkway|pkwy)\b"
        r"|(?:stra[sß]s?e|str\.) *\d+|\b(?:rue|calle|avenida|via) [a-z ]+,? *\d+"
    ),
}
ANY_PATTERN = "|".join(f"(?:{pattern})" for pattern in PATTERNS.values())
ODD = (b"@", b"+", b"(", b" ", b"/", b".")
_COMPILED = {what: re.compile(pattern) for what, pattern in PATTERNS.items()}

# titles of columns that hold direct identifiers or free text, as whole words of the title
_TITLE_WORDS = {
    "name", "firstname", "lastname", "surname", "customer", "client", "owner", "tenant", "contact",
    "phone", "telephone", "tel", "mobile", "cell", "fax", "email", "mail", "address", "street",
    "zip", "zipcode", "postcode", "postal", "city", "lat", "lon", "latitude", "longitude", "gps",
    "serial", "serialnumber", "sn", "note", "notes", "comment", "comments", "description",
    "remark", "remarks", "memo", "text", "signature", "birthday",
}  # fmt: skip


def identifying_title(title: str) -> bool:
    """Whether a column's title says that it identifies somebody or holds free text.

    >>> identifying_title("Customer phone"), identifying_title("duct_length")
    (True, False)
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", title)
    words = re.split(r"[^a-z]+", spaced.lower())
    return bool(_TITLE_WORDS & {*words, title.lower().replace("-", "").replace(" ", "")})


def looks_identifying(text: str) -> str | None:
    """What a text looks like, or None.

    >>> looks_identifying("call 555-010-9999 first")
    'a phone number'
    """
    for what, pattern in _COMPILED.items():
        if pattern.search(text):
            return what
    return None


def suspicious(column: pa.ChunkedArray) -> bool:
    """Whether any text of a column may hold what identifies somebody (never no where one does).

    Parameters
    ----------
    column : text, plain or with each spelling kept once.
    """
    return any(
        _suspicious(chunk.dictionary if pa.types.is_dictionary(chunk.type) else chunk)
        for chunk in column.chunks
    )


def _suspicious(texts: pa.Array) -> bool:
    """Every pattern needs a letter of ODD, two hyphens in one text, or the word for a street."""
    letters = texts.buffers()[2]
    if letters is None:
        return False
    plain = letters.to_pybytes()
    if plain.isascii() and not any(odd in plain for odd in ODD) and b"stra" not in plain.lower():
        if b"-" not in plain:
            return False
        hyphens = compute.max(compute.count_substring(texts, "-")).as_py()
        if (hyphens or 0) < 2:
            return False
    return bool(compute.any(compute.match_substring_regex(texts, ANY_PATTERN)).as_py())


def refuse_identifiers(
    columns: Mapping[str, pa.ChunkedArray], lines: pa.ChunkedArray, file: str
) -> None:
    """Refuse a source whose text columns hold what identifies somebody.

    Parameters
    ----------
    columns : the columns kept as they are written, plain or with each spelling kept once.
    lines : the line of every row.
    file : the name to show.

    Raises
    ------
    InputError : naming the column and at most five lines, never the value.
    """
    for column, texts in columns.items():
        plain = texts.cast(pa.string())
        if not compute.any(compute.match_substring_regex(plain, ANY_PATTERN)).as_py():
            continue
        for what, pattern in PATTERNS.items():
            found = lines.filter(compute.match_substring_regex(plain, pattern))
            if len(found):
                first = found.sort().slice(0, 5).to_pylist()
                raise identifying(column, what, file, first, len(found))


def identifying(column: str, what: str, file: str, lines: Iterable[int], count: int) -> InputError:
    """The refusal of a column that identifies somebody."""
    shown = ", ".join(str(line) for line in lines)
    return InputError(
        f"records must not identify anybody, but column {column} holds what looks like {what} in "
        f"{count:,} row{'s' if count != 1 else ''}.",
        where=f"{file}, column {column}, line{'s' if ',' in shown else ''} {shown}",
        do="drop the column by name in the mapping (drop = [...]), or, for an id, load with "
        "--key-file.",
    )


class Key:
    """The secret that turns ids into pseudonyms; it is read from a file and never stored.

    Parameters
    ----------
    path : a file of at least eight bytes; white space at its end does not count.

    Raises
    ------
    InputError : no such file, or too short.
    """

    def __init__(self, path: Path) -> None:
        try:
            secret = Path(path).read_bytes().strip()
        except OSError as fault:
            raise InputError(
                f"a key file must be readable, but this one is not ({fault.strerror}).",
                where=Path(path).name,
                do="correct the path; make a key with: openssl rand -hex 32 > key.txt",
            ) from None
        if len(secret) < SHORTEST_KEY:
            raise InputError(
                f"a key must have at least {SHORTEST_KEY} bytes, but this one has {len(secret)}.",
                where=Path(path).name,
                do="make one with: openssl rand -hex 32 > key.txt",
            )
        self._secret = secret

    def hash(self, column: str, text: str) -> str:
        """The pseudonym of an id: HMAC-SHA-256 with the column's domain, 128 bits, in hex."""
        message = f"{DOMAINS[column]}\0{text}".encode()
        return hmac.digest(self._secret, message, hashlib.sha256)[:HASH_BYTES].hex()

    @property
    def probe(self) -> str:
        """What tells this key from another without telling the key."""
        return hmac.digest(self._secret, f"probe\0{PROBE}".encode(), hashlib.sha256).hex()


def is_hash(text: str) -> bool:
    """Whether a text has the form of a pseudonym made by ``Key.hash``."""
    return re.fullmatch(r"[0-9a-f]{32}", text) is not None
