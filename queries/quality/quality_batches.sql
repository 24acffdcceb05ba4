-- name: quality_batches
-- answers: What came in with which file, and what became of its rows?
-- grain: one row per file loaded
-- inputs: raw.batches
-- params: none (variable as_loaded)
-- choice: Corrected rows are among the good ones.
-- trap: rows_in is always good plus quarantined plus duplicates.
-- source: contract, section 5
select batch, "table", file, rows_in, good, quarantined, duplicates, corrected, cast(loaded_at as varchar) as loaded_at
from raw.batches
where batch <= coalesce(getvariable('as_loaded'), batch)
order by batch, "table", file
