-- name: fact_exposure
-- answers: Through which ages did each life pass under which state of the vent?
-- grain: one row per life with known birth, and stretch of one neglect band (start < age <= stop)
-- inputs: fact_lives, fact_neglect
-- params: none
-- choice: A stretch ends on the day the band changes; the failure belongs to the band of its own
--    day. Trips count as failures of the part here. Lives end by the stated end of observation.
-- trap: Splitting a life must not create or lose a day at risk: stretches of one life touch.
-- source: methods page, "Neglect"
select
    life.unit_id,
    coalesce(life.building_id, life.unit_id) as cluster_id,
    life.part,
    life.position,
    life.ordinal,
    life.first_or_later,
    life.followed_as,
    life.family,
    life.fuel,
    life.van_id,
    life.loads_per_week,
    neglect.band,
    greatest(life.entry_days, neglect.from_day - life.born_on) as start_days,
    least(life.exit_days, neglect.to_day - life.born_on) as stop_days,
    (life.ending in ('failed', 'tripped') and neglect.to_day - life.born_on >= life.exit_days) as failed
from fact_lives as life
inner join fact_neglect as neglect
    on neglect.unit_id = life.unit_id
    and neglect.span = life.span
    and neglect.from_day - life.born_on < life.exit_days
    and neglect.to_day - life.born_on > life.entry_days
where life.birth = 'known'
    and life.exit_days > life.entry_days
