-- name: verify_units
-- answers: Which appliances do the raw rows name?
-- grain: one row per row of raw.units that is in force
-- inputs: raw.units
-- params: $below, $as_of; variable as_loaded
-- choice: Nothing of staging or facts is read, so that a mistake there shows as a difference.
-- trap: Dates after the as-of date are still in these rows: whoever reads them blanks them.
-- source: contract, section 1
select
    record.unit_id,
    record.family,
    record.fuel,
    record.installed_on,
    record.enrolled_on,
    record.left_on,
    record.left_because,
    record.loads_per_week,
    record.vent_new,
    record.van_id,
    record.building_id,
    record.duct_material,
    record.termination
from raw.units as record
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and (record.installed_on is null or record.installed_on <= $as_of)
    and md5(record.unit_id) < $below
