-- name: lives_units
-- answers: How many units stand behind each stratum, and do many units or buildings give two lives?
-- grain: one row per stratum
-- inputs: fact_lives
-- params: $part, $births, $followed, $by
-- choice: Only lives with time at risk count. Units of one building are one cluster.
-- trap: Lives of one unit, or of one building, are not independent; above 5 % of clusters with two
--    lives the intervals are clustered.
-- source: methods page, "Curves and fits"
-- adds: sums unit_count, lives, failures, clusters, clusters_with_two; order stratum
with lives as (
    select
        list_transform($by, lambda col: case col
            when 'family' then life.family
            when 'fuel' then life.fuel
            when 'first_or_later' then life.first_or_later
            when 'followed_as' then life.followed_as
            when 'van_id' then life.van_id
            when 'item_id' then life.item_id
            when 'position' then cast(life.position as varchar)
            when 'duct_material' then life.duct_material
            when 'termination' then life.termination
            else error('lives cannot be told apart by ' || col)
        end) as stratum,
        coalesce(life.building_id, life.unit_id) as cluster_id,
        count(distinct life.unit_id) as units,
        count(*) as lives,
        count(*) filter (where life.ending = 'failed') as failures
    from fact_lives as life
    where life.part = $part
        and list_contains($births, life.birth)
        and list_contains($followed, life.followed_as)
        and (life.exit_days > life.entry_days or (life.exit_days = 0 and life.entry_days = 0))
    group by stratum, cluster_id
)

select
    to_json(stratum) as stratum,
    cast(sum(units) as bigint) as unit_count,
    cast(sum(lives) as bigint) as lives,
    cast(sum(failures) as bigint) as failures,
    count(*) as clusters,
    count(*) filter (where lives > 1) as clusters_with_two
from lives
group by stratum
order by stratum
