-- name: stg_jobs
-- answers: Which visits were made up to the as-of date?
-- grain: one row per visit
-- inputs: raw.jobs, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: Event time rules: a visit recorded late still counts on its own day.
-- trap: A job of a unit that the filters leave out is dropped by the join to stg_units, not here.
-- source: contract, section 1
-- adds: by unit
select
    record.job_id,
    record.unit_id,
    record.visited_on,
    record.kind,
    record.complaint,
    record.van_id,
    record.technician_id,
    record.completed,
    record.continues,
    record.labour_min
from raw.jobs as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.visited_on <= clock.as_of
