-- name: verify_cleanings
-- answers: Which vent cleanings do the raw rows name?
-- grain: one row per row of raw.cleanings that is in force
-- inputs: raw.cleanings
-- params: $below, $as_of; variable as_loaded
-- choice: Nothing of staging or facts is read.
-- trap: Only a full run resets the neglect clock; the others are here too.
-- source: contract, section 1
select
    record.unit_id,
    record.cleaned_on,
    record.scope,
    record.cleaned_by,
    record.job_id
from raw.cleanings as record
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.cleaned_on <= $as_of
    and md5(record.unit_id) < $below
