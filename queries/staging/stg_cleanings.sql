-- name: stg_cleanings
-- answers: Which vent cleanings are known?
-- grain: one row per unit, day and scope
-- inputs: raw.cleanings, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: Cleanings reported by owners are kept, marked by cleaned_by.
-- trap: Only scope full_run resets the neglect clock.
-- source: contract, section 1
-- adds: by unit
select
    record.unit_id,
    record.cleaned_on,
    record.scope,
    record.cleaned_by,
    record.job_id,
    record.lint_kg,
    record.lint_l
from raw.cleanings as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.cleaned_on <= clock.as_of
