-- name: fact_shown
-- answers: Which places for parts do the lines show in which family, in one unit or in several?
-- grain: one row per place and family that any line shows
-- inputs: stg_lines, fact_places, fact_models, fact_units, fact_visits, fact_changes
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: One unit or more than one (2) is all that is counted: the roster asks no more.
-- trap: Most places are settled by what was replaced; only for the others must all lines be read.
-- source: methods page, "What ends a life"
-- adds: sums units
with replaced as (
    select
        change.place_number,
        unit.family_number,
        min(change.unit_number) as first_unit,
        max(change.unit_number) as last_unit
    from fact_changes as change
    inner join fact_units as unit on unit.unit_number = change.unit_number
    group by change.place_number, unit.family_number
),

open_places as (
    select place.place_number, place.part, place.position, model.family_number
    from fact_places as place
    cross join (select distinct every.family_number from fact_models as every) as model
    where not exists (
        select 1 from replaced as settled
        where settled.place_number = place.place_number
            and settled.family_number = model.family_number
            and settled.first_unit < settled.last_unit
    )
),

open_lines as materialized (
    select line.job_id, place.place_number
    from stg_lines as line
    inner join (select distinct one.place_number, one.part, one.position from open_places as one) as place
        on place.part = line.part and place.position = line.position
),

open_visits as (
    select visit.job_id, visit.unit_number, unit.family_number
    from fact_visits as visit
    inner join fact_units as unit on unit.unit_number = visit.unit_number
    where unit.family_number in (select place.family_number from open_places as place)
),

named as (
    select
        line.place_number,
        visit.family_number,
        min(visit.unit_number) as first_unit,
        max(visit.unit_number) as last_unit
    from open_lines as line
    inner join open_visits as visit on visit.job_id = line.job_id
    group by line.place_number, visit.family_number
)

select
    seen.place_number,
    seen.family_number,
    cast(case when min(seen.first_unit) < max(seen.last_unit) then 2 else 1 end as bigint) as units
from (select * from replaced union all select * from named) as seen
group by seen.place_number, seen.family_number
