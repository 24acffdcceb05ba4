"""Every table of the contract, declared once.

From here come the storage (DuckDB's types), what `load` accepts, the blank tables of
`draft tables` and the data dictionary.

Input columns keep the contract's names. Stored columns carry their unit in a suffix
(`duct_length` is stored as `duct_length_m`); a reading becomes three stored columns, for a
resistance, a temperature and the open circuit.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["BOOKKEEPING", "CREATE", "TABLES", "Column", "Table", "stored_columns"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One input column.

    Attributes
    ----------
    name : as the contract writes it.
    kind : text, id, date, yes_no, whole, number, money, word, length, duration, span, volume,
        reading, lint or airflow; `id` is hashed when a key is given, `word` is looked up in
        `words` (a list of the vocabulary), `duration` is stored in minutes, `span` in days.
    minimum : smallest value allowed (inclusive, or exclusive with `above`).
    default : what a blank means, as it is stored; None stays blank.
    meaning : one line for the data dictionary.
    example : what the example row of `draft tables` shows.
    """

    name: str
    kind: str
    required: bool = False
    words: str | None = None
    minimum: float | None = None
    above: float | None = None
    default: object = None
    synonyms: tuple[str, ...] = ()
    meaning: str = ""
    example: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of records: its columns and what makes a row the same row."""

    name: str
    grain: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    parents: dict[str, str] = field(default_factory=dict)


STORED = {
    "text": (("", "VARCHAR"),),
    "id": (("", "VARCHAR"),),
    "word": (("", "VARCHAR"),),
    "date": (("", "DATE"),),
    "yes_no": (("", "BOOLEAN"),),
    "whole": (("", "INTEGER"),),
    "number": (("", "DOUBLE"),),
    "money": (("", "DECIMAL(14,4)"),),
    "length": (("_m", "DOUBLE"),),
    "duration": (("_min", "DOUBLE"),),
    "span": (("_days", "DOUBLE"),),
    "volume": (("_l", "DOUBLE"),),
    "reading": (("_ohm", "DOUBLE"), ("_celsius", "DOUBLE"), ("_open", "BOOLEAN")),
    "lint": (("_kg", "DOUBLE"), ("_l", "DOUBLE")),
    "airflow": (("_m_s", "DOUBLE"), ("_m3_s", "DOUBLE")),
}

# on every stored row: the batch and the file line it came from, and the batch that replaced it
BOOKKEEPING = (
    ("batch", "INTEGER NOT NULL"),
    ("file", "VARCHAR NOT NULL"),
    ("line", "BIGINT NOT NULL"),
    ("superseded_in", "INTEGER"),
)


def stored_columns(column: Column) -> tuple[tuple[str, str], ...]:
    """The stored (name, DuckDB type) pairs of one input column.

    >>> stored_columns(Column(name="duct_length", kind="length"))
    (('duct_length_m', 'DOUBLE'),)
    """
    return tuple((column.name + suffix, kind) for suffix, kind in STORED[column.kind])


def _column(name: str, kind: str, meaning: str, example: str = "", **more: object) -> Column:
    return Column(name=name, kind=kind, meaning=meaning, example=example, **more)  # type: ignore[arg-type]


TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            name="units",
            grain="one row per appliance",
            key=("unit_id",),
            columns=(
                _column("unit_id", "id", "a pseudonym of the appliance", "u-0001", required=True),
                _column(
                    "family",
                    "text",
                    "the company's own code for a model family",
                    "E1",
                    required=True,
                ),
                _column(
                    "fuel", "word", "what heats it", "electric", words="fuels", default="electric"
                ),
                _column(
                    "installed_on", "date", "day it was installed; blank: age unknown", "2019-03-14"
                ),
                _column(
                    "enrolled_on",
                    "date",
                    "first day from which every job would be recorded; blank: call-out unit",
                    "2020-01-01",
                ),
                _column("left_on", "date", "last day followed", ""),
                _column("left_because", "word", "why it left", "", words="left_because"),
                _column("loads_per_week", "number", "use", "6.5", above=0.0),
                _column(
                    "duct_length", "length", "straight run without fittings", "12 ft", minimum=0.0
                ),
                _column("elbows_90", "whole", "right-angle elbows in the run", "2", minimum=0.0),
                _column("elbows_45", "whole", "45-degree elbows in the run", "0", minimum=0.0),
                _column(
                    "elbow_radius",
                    "length",
                    "elbow radius; blank is 4 in mitred",
                    "4 in",
                    above=0.0,
                ),
                _column(
                    "duct_diameter",
                    "length",
                    "inner diameter; blank is 4 in",
                    "4 in",
                    above=0.0,
                    default=0.1016,
                ),
                _column(
                    "duct_limit", "length", "the maker's own maximum, where known", "", above=0.0
                ),
                _column(
                    "duct_material", "word", "wall of the duct", "rigid", words="duct_materials"
                ),
                _column("termination", "word", "where the duct ends", "wall", words="terminations"),
                _column(
                    "vent_new",
                    "yes_no",
                    "duct new at installation (starts the neglect clock)",
                    "no",
                    default=False,
                ),
                _column("van_id", "text", "the van that normally serves it", "v1"),
                _column("building_id", "id", "units sharing a building, riser or cleaner", ""),
            ),
        ),
        Table(
            name="periods",
            grain="one row per further span under contract",
            key=("unit_id", "enrolled_on"),
            parents={"unit_id": "units"},
            columns=(
                _column("unit_id", "id", "the appliance", "u-0001", required=True),
                _column(
                    "enrolled_on", "date", "first day of the span", "2022-01-01", required=True
                ),
                _column("left_on", "date", "last day of the span", ""),
                _column("left_because", "word", "why it left", "", words="left_because"),
            ),
        ),
        Table(
            name="jobs",
            grain="one row per visit",
            key=("job_id",),
            parents={"unit_id": "units"},
            columns=(
                _column("job_id", "id", "the visit", "j-00001", required=True),
                _column("unit_id", "id", "the appliance visited", "u-0001", required=True),
                _column("visited_on", "date", "day of the visit", "2021-11-03", required=True),
                _column(
                    "kind",
                    "word",
                    "why the visit was made",
                    "call_out",
                    words="kinds",
                    default="call_out",
                ),
                _column(
                    "complaint", "word", "what the customer said", "no_heat", words="complaints"
                ),
                _column("van_id", "text", "the van that came", "v1"),
                _column("technician_id", "id", "who came", "t-07"),
                _column("completed", "yes_no", "finished on this visit", "yes"),
                _column("continues", "id", "the earlier visit for the same fault", ""),
                _column("labour", "duration", "time on site", "45 min", minimum=0.0),
            ),
        ),
        Table(
            name="lines",
            grain="one row per part, position and test on one job",
            key=("job_id", "part", "position", "test"),
            parents={"job_id": "jobs"},
            columns=(
                _column("job_id", "id", "the visit", "j-00001", required=True),
                _column("part", "word", "which part", "coil", words="parts", required=True),
                _column(
                    "position",
                    "whole",
                    "which of several alike; blank is 1",
                    "1",
                    minimum=1.0,
                    default=1,
                ),
                _column(
                    "finding",
                    "word",
                    "in what state it was found",
                    "failed",
                    words="findings",
                    required=True,
                ),
                _column("mode", "word", "how it had failed", "open_circuit", words="modes"),
                _column(
                    "test", "word", "how the finding was reached", "cold_continuity", words="tests"
                ),
                _column(
                    "action",
                    "word",
                    "what was done to it",
                    "replaced",
                    words="actions",
                    required=True,
                ),
                _column("reading", "reading", "resistance or temperature; OL is open", "OL"),
                _column("broke_at", "text", "where on the part it broke", ""),
                _column("item_id", "text", "which item was fitted", "coil-e1"),
                _column("cost", "money", "its price", "46.00", minimum=0.0),
            ),
        ),
        Table(
            name="cleanings",
            grain="one row per vent cleaning",
            key=("unit_id", "cleaned_on", "scope"),
            parents={"unit_id": "units"},
            columns=(
                _column("unit_id", "id", "the appliance", "u-0001", required=True),
                _column("cleaned_on", "date", "day of the cleaning", "2021-11-03", required=True),
                _column(
                    "scope",
                    "word",
                    "what was cleaned; only full_run resets the neglect clock",
                    "full_run",
                    words="scopes",
                    default="full_run",
                ),
                _column(
                    "cleaned_by",
                    "word",
                    "who cleaned",
                    "company",
                    words="cleaned_by",
                    synonyms=("by",),
                ),
                _column("job_id", "id", "the visit it was done on", "j-00001"),
                _column("lint", "lint", "what came out, mass or volume", "0.8 L", minimum=0.0),
                _column(
                    "airflow_before",
                    "airflow",
                    "air velocity or volume flow before",
                    "",
                    minimum=0.0,
                ),
                _column(
                    "airflow_after", "airflow", "air velocity or volume flow after", "", minimum=0.0
                ),
            ),
        ),
        Table(
            name="catalogue",
            grain="one row per item and family it fits",
            key=("item_id", "family"),
            columns=(
                _column("item_id", "text", "the item", "coil-e1", required=True),
                _column("part", "word", "which part it is", "coil", words="parts", required=True),
                _column("family", "text", "the family it fits; * fits all", "E1", required=True),
                _column("price", "money", "price of one", "46.00", minimum=0.0, required=True),
                _column("valid_from", "date", "date of the price", "2021-01-01"),
                _column("volume", "volume", "room it takes on the van", "1.5 L", minimum=0.0),
                _column(
                    "field_fit",
                    "yes_no",
                    "can be fitted with the tools on a van",
                    "yes",
                    default=True,
                ),
                _column("lead_time", "span", "from order to shelf", "5 days", minimum=0.0),
                _column(
                    "pack_size", "whole", "smallest number that can be bought", "1", minimum=1.0
                ),
                _column("replaced_by", "text", "the item that takes its place", ""),
            ),
        ),
        Table(
            name="vans",
            grain="one row per van",
            key=("van_id",),
            columns=(
                _column("van_id", "text", "the van", "v1", required=True),
                _column(
                    "cycle_days", "number", "days between restocks", "28", above=0.0, default=28.0
                ),
                _column("budget", "money", "most money to keep on board", "", minimum=0.0),
                _column("volume", "volume", "most room for parts", "", above=0.0),
            ),
        ),
        Table(
            name="carried",
            grain="one row per van and item on board",
            key=("van_id", "item_id"),
            parents={"van_id": "vans"},
            columns=(
                _column("van_id", "text", "the van", "v1", required=True),
                _column("item_id", "text", "the item", "coil-e1", required=True),
                _column(
                    "quantity", "whole", "how many are on board", "2", minimum=0.0, required=True
                ),
                _column("counted_on", "date", "day they were counted", ""),
            ),
        ),
    )
}

_LEDGER = """
create table raw.batches (
    batch integer not null, "table" varchar not null, file varchar not null,
    sha256 varchar not null, rows_in bigint not null, good bigint not null,
    quarantined bigint not null, duplicates bigint not null, corrected bigint not null,
    loaded_at timestamp not null, version varchar not null);
create table raw.quarantine (
    batch integer not null, "table" varchar not null, file varchar not null, line bigint not null,
    "column" varchar, reasons varchar[] not null, content json not null,
    released_in integer);
create table raw.remarks (
    batch integer not null, "table" varchar not null, file varchar not null, line bigint not null,
    "check" varchar not null, statement varchar not null);
create table raw.tombstones (kind varchar not null, token varchar not null);
create table raw.settings (name varchar not null, value varchar not null);
"""


def _create(table: Table) -> str:
    columns = [pair for column in table.columns for pair in stored_columns(column)]
    body = ", ".join(f'"{name}" {kind}' for name, kind in (*columns, *BOOKKEEPING))
    return f"create table raw.{table.name} ({body});"


CREATE = "\n".join(
    ["create schema raw;", *(_create(table) for table in TABLES.values()), _LEDGER.strip()]
)
