-- name: stg_periods
-- answers: Which further spans under contract are known?
-- grain: one row per unit and first day of the span
-- inputs: raw.periods, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: A span that begins after the as-of date is not there.
-- trap: The first span stands in the units table, not here.
-- source: contract, section 1
-- adds: by unit
select
    record.unit_id,
    record.enrolled_on,
    case when record.left_on <= clock.as_of then record.left_on end as left_on,
    case when record.left_on <= clock.as_of then record.left_because end as left_because
from raw.periods as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.enrolled_on <= clock.as_of
