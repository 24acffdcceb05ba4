-- name: fact_roster
-- answers: Which parts does every unit of a family and fuel have?
-- grain: one row per family, fuel, part and position
-- inputs: fact_shown, fact_places, fact_models
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: A part that the vocabulary puts on every unit of a fuel is there as soon as any line
--    names it; another part where the family shows it; a further position where two units of the
--    family show it.
-- trap: Another part than those of the vocabulary is on every unit of a family as soon as one unit
--    shows it.
-- source: methods page, "What ends a life"
-- adds: company
with shown as (
    select
        place.part,
        place.position,
        seen.family_number,
        seen.units > 1 as by_two_units
    from fact_shown as seen
    inner join fact_places as place on place.place_number = seen.place_number
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
