-- name: fact_roster
-- answers: Which parts does every unit of a family and fuel have?
-- grain: one row per family, fuel, part and position
-- inputs: stg_lines, fact_places, fact_models, fact_units, fact_visits, fact_changes
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: A part that the vocabulary puts on every unit of a fuel is there as soon as any line
--    names it; another part where the family shows it; a further position where two units of the
--    family show it.
-- trap: Most parts are settled by what was replaced; only for the others must all lines be read.
-- source: methods page, "What ends a life"
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
),

-- a position holds for a family once two of its units show it
shown as (
    select
        place.part,
        place.position,
        seen.family_number,
        min(seen.first_unit) < max(seen.last_unit) as by_two_units
    from (select * from replaced union all select * from named) as seen
    inner join fact_places as place on place.place_number = seen.place_number
    group by place.part, place.position, seen.family_number
),

fitted as (
    select model.model_number, model.family_number, place.part
    from fact_models as model
    cross join fact_places as place
    where place.position = 1
        and list_contains(place.fuels, model.fuel)
        and place.part in (select seen.part from shown as seen)
        and (
            place.on_every_unit
            or exists (
                select 1 from shown as seen
                where seen.part = place.part and seen.family_number = model.family_number
            )
        )
),

roster as (
    select fitted.model_number, fitted.part, 1 as position from fitted
    union
    select fitted.model_number, fitted.part, seen.position
    from fitted
    inner join shown as seen
        on seen.part = fitted.part
        and seen.family_number = fitted.family_number
        and seen.by_two_units
)

select
    model.family,
    model.fuel,
    roster.part,
    cast(roster.position as integer) as position,
    roster.model_number,
    place.place_number
from roster
inner join fact_models as model on model.model_number = roster.model_number
inner join fact_places as place on place.part = roster.part and place.position = roster.position
