-- name: lives_moved
-- answers: How many lives did each rule move: their end to another day, or their unit to another class?
-- grain: one row per part and rule
-- inputs: fact_lives, fact_failures, fact_places, fact_units, stg_units
-- params: none
-- choice: A failure found and repaired over several visits is dated to the first of them; a unit
--    enrolled within 30 days after a call counts as call-out.
-- trap: A moved life is still counted under exactly one rule of lives_kept.
-- source: methods page, "Episodes", "Birth"
-- adds: sums lives; order part, rule
with found_late as (
    select distinct unit.unit_id, place.part, place.position, failure.opened_on
    from fact_failures as failure
    inner join fact_units as unit on unit.unit_number = failure.unit_number
    inner join fact_places as place on place.place_number = failure.place_number
    where failure.replaced and failure.visited_on > failure.opened_on
),

dated_back as (
    select
        life.part,
        count(distinct (life.unit_id, life.position, life.ordinal, life.span)) as lives
    from fact_lives as life
    inner join found_late as failure
        on failure.unit_id = life.unit_id
        and failure.part = life.part
        and failure.position = life.position
        and failure.opened_on = life.exits_on
    where life.ending in ('failed', 'tripped')
    group by life.part
),

joined_by_call as (
    select life.part, count(*) as lives
    from fact_lives as life
    inner join stg_units as unit on unit.unit_id = life.unit_id
    where life.followed_as = 'call_out' and unit.enrolled_on is not null
    group by life.part
)

select dated_back.part, 'failure_dated_to_first_visit' as rule, dated_back.lives from dated_back
union all
select joined_by_call.part, 'enrolled_because_of_a_call' as rule, joined_by_call.lives
from joined_by_call
order by part, rule
