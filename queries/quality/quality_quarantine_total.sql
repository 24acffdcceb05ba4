-- name: quality_quarantine_total
-- answers: How many rows wait in quarantine?
-- grain: one row
-- inputs: raw.quarantine
-- params: none (variable as_loaded)
-- choice: Rows already re-admitted do not count.
-- trap: A refused unit takes its jobs and their lines with it until it is corrected.
-- source: contract, section 5
select count(*) as quarantined
from raw.quarantine
where batch <= coalesce(getvariable('as_loaded'), batch)
    and (released_in is null or released_in > coalesce(getvariable('as_loaded'), 2147483647))
