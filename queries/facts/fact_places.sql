-- name: fact_places
-- answers: Which parts, in which positions, does any line name?
-- grain: one row per part and position (position 1 of every part included), numbered
-- inputs: fact_seen_places, stg_parts
-- params: none (variables as_of, as_loaded)
-- choice: What the vocabulary says of a part stands beside its number.
-- trap: A line counts here even where the filters leave its unit out.
-- source: methods page, first section
-- adds: company
with places as (
    select named.part, named.position from fact_seen_places as named
    union
    select named.part, 1 from fact_seen_places as named
),

numbered as (
    select
        place.part,
        cast(place.position as integer) as position,
        cast(row_number() over (order by place.part, place.position) - 1 as integer) as place_number,
        cast(count(*) over () as integer) as places
    from places as place
)

select
    place.place_number,
    place.part,
    place.position,
    -- one bit for each place, as text, to travel
    repeat('0', place.place_number) || '1' || repeat('0', place.places - place.place_number - 1) as mark,
    coalesce(part.fuels, ['electric', 'gas', 'heat_pump']) as fuels,
    coalesce(part.on_every_unit, false) as on_every_unit,
    coalesce(part.worn_is_failure, false) as worn_is_failure,
    coalesce(part.silent_modes, []) as silent_modes
from numbered as place
left join stg_parts as part on part.part = place.part
