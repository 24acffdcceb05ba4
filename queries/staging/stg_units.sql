-- name: stg_units
-- answers: Which appliances are known on the as-of date?
-- grain: one row per unit
-- inputs: raw.units, stg_clock
-- params: none (variables as_of, as_loaded, families, fuels, sampled_below)
-- choice: What is dated after the as-of date is blank: a unit that leaves later is still followed.
-- trap: A unit installed after the as-of date is not there at all. sampled_below is for `verify` on
--    a large warehouse: units whose hash comes first.
-- source: contract, section 1
-- adds: by unit
select
    record.unit_id,
    record.family,
    record.fuel,
    record.installed_on,
    case when record.enrolled_on <= clock.as_of then record.enrolled_on end as enrolled_on,
    case when record.left_on <= clock.as_of then record.left_on end as left_on,
    case when record.left_on <= clock.as_of then record.left_because end as left_because,
    record.loads_per_week,
    record.duct_length_m,
    record.elbows_90,
    record.elbows_45,
    record.elbow_radius_m,
    record.duct_diameter_m,
    record.duct_limit_m,
    record.duct_material,
    record.termination,
    record.vent_new,
    record.van_id,
    record.building_id
from raw.units as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and (record.installed_on is null or record.installed_on <= clock.as_of)
    and (getvariable('families') is null or list_contains(cast(getvariable('families') as varchar[]), record.family))
    and (getvariable('fuels') is null or list_contains(cast(getvariable('fuels') as varchar[]), record.fuel))
    and (getvariable('sampled_below') is null or md5(record.unit_id) < getvariable('sampled_below'))
