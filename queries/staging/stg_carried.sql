-- name: stg_carried
-- answers: What is on the vans now?
-- grain: one row per van and item
-- inputs: raw.carried, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: A count without a date is taken as present.
-- trap: This is today's load, not the plan.
-- source: contract, section 1
-- adds: company
select
    record.van_id,
    record.item_id,
    record.quantity,
    record.counted_on
from raw.carried as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and (record.counted_on is null or record.counted_on <= clock.as_of)
