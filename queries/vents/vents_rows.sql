-- name: vents_rows
-- answers: What does the pass by unit need: each stretch at risk with its cluster?
-- grain: one row per life and stretch of one neglect band
-- inputs: fact_exposure, fact_units_use
-- params: $part, $followed
-- choice: The cluster is the building where given, else the unit.
-- trap: The rows are for the variance; estimates come from vents_cells.
-- source: methods page, "Vents"
select
    exposure.cluster_id,
    exposure.unit_id,
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
order by exposure.unit_id, exposure.position, exposure.ordinal, exposure.start_days
