"""What the warehouse knows about itself: the span of its records, its currency, its key."""

from __future__ import annotations

import duckdb

from failstats.errors import InputError
from failstats.intake.mapping import Mapping
from failstats.intake.privacy import Key
from failstats.warehouse.store import setting

__all__ = ["put_settings", "same_currency", "same_key", "withdraw_settings", "write_settings"]


def same_key(
    connection: duckdb.DuckDBPyConnection, key: Key | None, *, ids_given: bool = False
) -> None:
    """One warehouse has one key, or none, from its first load on.

    Parameters
    ----------
    ids_given : a pseudonym may be given instead of an id, so that the key may be left out.
    """
    probe = setting(connection, "key_probe")
    loaded = connection.execute("select count(*) from raw.batches").fetchone()
    if key is None and probe is not None and not ids_given:
        raise InputError(
            "the ids of this warehouse are keyed, but no key file is given.",
            where="--key-file",
            do="load with the key file of the first load.",
        )
    if key is None:
        return
    if probe is None and loaded is not None and loaded[0]:
        raise InputError(
            "a key must be given from the first load on, but this warehouse has unkeyed ids.",
            where="--key-file",
            do="load everything into a new warehouse with the key, and delete the old one.",
        )
    if probe is not None and probe != key.probe:
        raise InputError(
            "the key must be that of the first load, but it is another.",
            where="--key-file",
            do="name the right key file. Nothing was changed.",
        )
    if probe is None:
        put_settings(connection, {"key_probe": key.probe})


def same_currency(connection: duckdb.DuckDBPyConnection, plan: Mapping) -> None:
    """Refuse a second currency."""
    known = setting(connection, "currency")
    assumed = setting(connection, "currency_assumed")
    if plan.currency and known and plan.currency != known and assumed != "yes":
        raise InputError(
            f"a warehouse has one currency, {known}, but the mapping says {plan.currency}.",
            where="mapping, currency",
            do="convert the sums, or load into another warehouse.",
        )


def write_settings(connection: duckdb.DuckDBPyConnection, plan: Mapping, *,
                   batch: int | None = None) -> list[str]:  # fmt: skip
    """The span of the records and the currency; what is assumed is said.

    Parameters
    ----------
    batch : the one just loaded; what is stated by then is kept for ``--as-loaded``.
    """
    row = connection.execute(
        "select min(day), max(day) from (select visited_on as day from raw.jobs where "
        "superseded_in is null union all select cleaned_on from raw.cleanings where "
        "superseded_in is null)"
    ).fetchone()
    first, last = row if row is not None else (None, None)
    known = dict(connection.execute("select name, value from raw.settings").fetchall())
    put: dict[str, str] = {}
    notes = []
    for name, stated, seen in (
        ("records_from", plan.records_from, first), ("records_to", plan.records_to, last)
    ):  # fmt: skip
        before = known.get(name)
        outside = before is not None and seen is not None and (
            str(seen) < before if name == "records_from" else str(seen) > before
        )  # fmt: skip
        declared = known.get(f"{name}_stated") == "yes"
        if stated is not None:
            put |= {name: str(stated), f"{name}_stated": "yes"}
            if batch is not None:
                put[f"{name}_said@{batch}"] = str(stated)
        elif seen is not None and not declared:
            put |= {name: str(seen), f"{name}_stated": "no"}
        elif seen is None and not declared:
            connection.execute("delete from raw.settings where name = $1", [name])
            known.pop(name, None)
        elif outside:
            notes.append(
                f"{name} is stated as {before}, and there are records beyond it, as far as {seen}: "
                "they are kept but not looked at until a mapping file states another date"
            )
    now = known | put
    for name in ("records_from", "records_to") if batch is not None else ():
        if now.get(f"{name}_stated") == "yes":
            put[f"{name}@{batch}"] = now[name]
    if batch is None and "records_to" not in now:
        connection.execute("delete from raw.settings where name = 'records_end_assumed'")
    if "records_to" in now:
        put["records_end_assumed"] = "no" if now.get("records_to_stated") == "yes" else "yes"
    if plan.currency:
        put |= {"currency": plan.currency, "currency_assumed": "no"}
    elif "currency" not in known:
        put |= {"currency": "USD", "currency_assumed": "yes"}
    changed = {name: value for name, value in put.items() if known.get(name) != value}
    if changed:
        put_settings(connection, changed)
    return notes


def withdraw_settings(connection: duckdb.DuckDBPyConnection, batch: int) -> list[str]:
    """Take back what a batch that is taken out stated: an earlier statement holds, or none.

    Returns
    -------
    What changed, in words.
    """
    known = dict(connection.execute("select name, value from raw.settings").fetchall())
    notes = []
    gone: list[str] = []
    put: dict[str, str] = {}
    for name in ("records_from", "records_to"):
        said = _by_batch(known, f"{name}_said")
        kept = _by_batch(known, name)
        gone += [f"{name}@{batch}", f"{name}_said@{batch}"]
        if said.pop(batch, None) is None:
            continue
        for later in (number for number in kept if number > batch):
            before = [number for number in said if number <= later]
            if before:
                put[f"{name}@{later}"] = said[max(before)]
            else:
                gone.append(f"{name}@{later}")
        if said:
            put[name] = said[max(said)]
            now = f"{put[name]}, as batch {max(said)} states it"
        else:
            gone += [name, f"{name}_stated"]
            now = "assumed from the records that are left"
        if put.get(name) != known.get(name):
            notes.append(f"{name} was stated with this batch; now it is {now}")
    put_settings(connection, put)
    left = connection.execute("select count(*) from raw.batches").fetchone()
    if left is not None and not left[0]:
        gone += ["currency", "currency_assumed", "records_from", "records_to",
                 "records_from_stated", "records_to_stated", "records_end_assumed"]  # fmt: skip
    connection.execute("delete from raw.settings where list_contains($1::varchar[], name)", [gone])
    return notes


def _by_batch(known: dict[str, str], name: str) -> dict[int, str]:
    """Batch -> what is kept of a setting for it."""
    return {
        int(key.partition("@")[2]): value
        for key, value in known.items()
        if key.startswith(f"{name}@")
    }


def put_settings(connection: duckdb.DuckDBPyConnection, settings: dict[str, str]) -> None:
    """Write some settings of the warehouse."""
    names, values = list(settings), list(settings.values())
    connection.execute("delete from raw.settings where list_contains($1::varchar[], name)", [names])
    connection.execute(
        "insert into raw.settings select unnest($1::varchar[]), unnest($2::varchar[])",
        [names, values],
    )
