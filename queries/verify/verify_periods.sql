-- name: verify_periods
-- answers: Which further spans under contract do the raw rows name?
-- grain: one row per row of raw.periods that is in force
-- inputs: raw.periods
-- params: $below, $as_of; variable as_loaded
-- choice: Nothing of staging or facts is read.
-- trap: A later left_on is still in these rows: whoever reads them blanks it.
-- source: contract, section 1
select
    record.unit_id,
    record.enrolled_on,
    record.left_on,
    record.left_because
from raw.periods as record
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.enrolled_on <= $as_of
    and md5(record.unit_id) < $below
