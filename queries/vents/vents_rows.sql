-- name: vents_rows
-- answers: What do the models of a part count: each stretch at risk with its state of the vent?
-- grain: one row per life and stretch of one neglect band
-- inputs: fact_exposure, fact_units_use
-- params: $part, $followed (list of contract, call_out), $bracket (stated_end or last_contact)
-- choice: The cluster is the building where given, else the unit. Strata are family and first or
--    later life. Use is in ten quantile bins of loads a week over all units; not recorded is a
--    level of its own.
-- trap: Heavy users neglect their vents more: without use in the model, neglect takes the blame.
-- source: methods page, "Vents"
-- adds: rows; order unit_id
with exposure as (
    select
        exposure.*,
        case
            when $bracket = 'last_contact' then least(exposure.stop_days, exposure.contact_days)
            else exposure.stop_days
        end as watched_to_days
    from fact_exposure as exposure
    where exposure.part = $part
        and list_contains($followed, exposure.followed_as)
)

select
    exposure.cluster_id,
    exposure.unit_id,
    exposure.family || ' ' || exposure.first_or_later as stratum,
    exposure.band,
    use.loads_bin,
    exposure.unit_age,
    coalesce(exposure.fuel, 'unknown') as fuel,
    coalesce(exposure.van_id, 'unknown') as van,
    exposure.start_days,
    exposure.watched_to_days as stop_days,
    exposure.failed and exposure.watched_to_days = exposure.stop_days as failed
from exposure
inner join fact_units_use as use on use.unit_id = exposure.unit_id
where exposure.start_days < exposure.watched_to_days
order by exposure.unit_id, exposure.position, exposure.ordinal, exposure.start_days
