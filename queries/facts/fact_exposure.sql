-- name: fact_exposure
-- answers: Through which ages did each life pass under which state of the vent?
-- grain: one row per life with known birth, and stretch of one neglect band (start < age <= stop)
-- inputs: fact_lives, fact_neglect, stg_units
-- params: none
-- choice: A stretch ends on the day the band changes; the failure belongs to the band of its own
--    day. Trips count as failures of the part here. Lives end by the stated end of observation;
--    contact_days is the other bracket. The unit's age is taken as the part went in: from then on
--    both age alike.
-- trap: Splitting a life must not create or lose a day at risk: stretches of one life touch.
-- source: methods page, "Neglect"
-- adds: by unit
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
    life.born_on,
    life.span,
    case
        when life.first_or_later = 'first' then 'first'
        when unit.installed_on is null then 'unknown'
        when life.born_on - unit.installed_on < 1826 then 'under_5'
        when life.born_on - unit.installed_on < 3653 then '5_to_10'
        else 'over_10'
    end as unit_age,
    life.exit_by_contact_days as contact_days,
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
inner join stg_units as unit on unit.unit_id = life.unit_id
where life.birth = 'known'
    and life.exit_days > life.entry_days
