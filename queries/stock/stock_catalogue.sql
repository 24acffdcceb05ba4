-- name: stock_catalogue
-- answers: What could be bought for a van on that day, and at what price?
-- grain: one row per item and family it fits
-- inputs: raw.catalogue, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: Of the versions loaded, the latest one whose price was valid on the as-of date holds: a
--    price of next year does not take this year's item away.
-- trap: A correction without another date replaces the old version for all times.
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
    and (record.valid_from is null or record.valid_from <= clock.as_of)
qualify row_number() over (
    partition by record.item_id, record.family order by record.batch desc, record.line desc
) = 1
