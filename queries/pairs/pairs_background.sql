-- name: pairs_background
-- answers: How often do first-fitted parts fail in units that have had no heat-part job yet?
-- grain: one row per part, family and age
-- inputs: fact_lives, fact_marked_episodes, fact_part_marks, fact_units
-- params: none
-- choice: First-fitted lives, watched until the unit's first heat-part failure or replacement;
--    unknown births are left out, assumed ones enter at the age at which watching began.
-- trap: With all lives as background, the bad thermostats of the index jobs are in it too and hide
--    most of the effect.
-- source: methods page, "Follow-on"
-- adds: sums entered, failed, left; order part, family, age
with heat as (
    select bit_or(cast(part.mark as bit)) as mark
    from fact_part_marks as part
    where part.heat_part
),

first_heat_job as (
    select unit.unit_id, min(episode.opened_on) as happened_on
    from fact_marked_episodes as episode
    cross join heat
    inner join fact_units as unit on unit.unit_number = episode.unit_number
    where bit_count((episode.failed | episode.replaced) & heat.mark) > 0
    group by unit.unit_id
),

lives as (
    select
        life.part,
        life.family,
        life.entry_days,
        case when heat.happened_on < life.exits_on then heat.happened_on - life.born_on else life.exit_days end as exit_days,
        case when heat.happened_on < life.exits_on then false else life.ending in ('failed', 'tripped') end as failed
    from fact_lives as life
    left join first_heat_job as heat on heat.unit_id = life.unit_id
    where life.first_or_later = 'first'
        and life.birth in ('known', 'assumed')
),

events as (
    select part, family, entry_days as age, 1 as entered, 0 as failed, 0 as "left"
    from lives
    where exit_days > entry_days
    union all
    select part, family, exit_days, 0, cast(failed as integer), cast(not failed as integer)
    from lives
    where exit_days > entry_days
)

select
    part,
    family,
    age,
    cast(sum(entered) as bigint) as entered,
    cast(sum(failed) as bigint) as failed,
    cast(sum("left") as bigint) as "left"
from events
group by part, family, age
order by part, family, age
