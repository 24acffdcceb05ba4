-- name: stg_vans
-- answers: Which vans are there?
-- grain: one row per van
-- inputs: raw.vans, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: A van without a row still works: it is known from its jobs.
-- trap: Budget and volume may be blank.
-- source: contract, section 1
-- adds: company
select
    record.van_id,
    record.cycle_days,
    record.budget,
    record.volume_l
from raw.vans as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
