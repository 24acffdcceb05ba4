-- name: lives_rows
-- answers: What does the pass by unit need: each life with its cluster?
-- grain: one row per life
-- inputs: fact_lives
-- params: $part, $births, $followed, $bracket (stated_end or last_contact)
-- choice: The cluster is the building where given, else the unit.
-- trap: The rows are for variances and checks; estimates come from lives_cells.
-- source: methods page, "One idea"
-- adds: rows; order unit_id
with lives as (
    select
        life.*,
        case when $bracket = 'last_contact' then life.exit_by_contact_days else life.exit_days end as leaves_days
    from fact_lives as life
    where life.part = $part
        and list_contains($births, life.birth)
        and list_contains($followed, life.followed_as)
)

select
    unit_id,
    coalesce(building_id, unit_id) as cluster_id,
    entry_days,
    leaves_days as exit_days,
    ending,
    first_or_later,
    followed_as,
    family,
    fuel,
    van_id,
    item_id,
    cast(position as varchar) as position,
    duct_material,
    termination,
    loads_per_week
from lives
where leaves_days > entry_days or (leaves_days = 0 and entry_days = 0)
order by unit_id, part, lives.position, ordinal
