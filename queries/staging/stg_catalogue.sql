-- name: stg_catalogue
-- answers: What can be put on a van?
-- grain: one row per item and family it fits
-- inputs: raw.catalogue, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: A price valid from a later day is not known yet.
-- trap: Family * fits all.
-- source: contract, section 1
-- adds: company
select
    record.item_id,
    record.part,
    record.family,
    record.price,
    record.valid_from,
    record.volume_l,
    record.field_fit,
    record.lead_time_days,
    record.pack_size,
    record.replaced_by
from raw.catalogue as record
cross join stg_clock as clock
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and (record.valid_from is null or record.valid_from <= clock.as_of)
