-- name: vents_cells
-- answers: At each age, under each state of the vent and each use, how many parts entered, failed or left?
-- grain: one row per stratum, pattern (band, loads_bin) and age
-- inputs: fact_exposure, fact_units_use
-- params: $part, $followed (list of contract, call_out)
-- choice: Strata are family and first or later life. Use is in ten quantile bins of loads a week
--    over all units; not recorded is a level of its own.
-- trap: Heavy users neglect their vents more: without use in the model, neglect takes the blame.
-- source: methods page, "Vents"
with exposure as (
    select
        exposure.family || ' ' || exposure.first_or_later as stratum,
        exposure.band,
        use.loads_bin,
        exposure.start_days,
        exposure.stop_days,
        exposure.failed
    from fact_exposure as exposure
    inner join fact_units_use as use on use.unit_id = exposure.unit_id
    where exposure.part = $part
        and list_contains($followed, exposure.followed_as)
),

events as (
    select stratum, band, loads_bin, start_days as age, 1 as entered, 0 as failed, 0 as "left" from exposure
    union all
    select stratum, band, loads_bin, stop_days, 0, cast(failed as integer), cast(not failed as integer) from exposure
)

select
    stratum,
    band,
    loads_bin,
    age,
    sum(entered) as entered,
    sum(failed) as failed,
    sum("left") as "left"
from events
group by stratum, band, loads_bin, age
order by stratum, band, loads_bin, age
