-- name: stg_lines
-- answers: What was found and done, part by part?
-- grain: one row per job, part, position and test
-- inputs: raw.lines, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: A line has no date of its own: it takes its job's.
-- trap: Tested cold, then hot, is two lines for one part.
-- source: contract, section 1
-- adds: by unit
select
    record.job_id,
    record.part,
    record.position,
    record.finding,
    record.mode,
    record.test,
    record.action,
    record.reading_ohm,
    record.reading_celsius,
    record.reading_open,
    record.broke_at,
    record.item_id,
    record.cost
from raw.lines as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
