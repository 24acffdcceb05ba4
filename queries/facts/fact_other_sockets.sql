-- name: fact_other_sockets
-- answers: Which parts do lines name in units on whose roster they are not?
-- grain: one row per unit, part and position
-- inputs: stg_lines, fact_visits, fact_units, fact_models, fact_places, fact_roster
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Only lines of places that some roster lacks are read.
-- trap: Such a socket is known only because a line named it: see fact_sockets.
-- source: methods page, "Sockets"
-- adds: by unit
with lacking as (
    select model.model_number, place.place_number, place.part, place.position
    from fact_models as model
    cross join fact_places as place
    where not exists (
        select 1 from fact_roster as roster
        where roster.model_number = model.model_number
            and roster.place_number = place.place_number
    )
),

lines as (
    select line.job_id, place.place_number
    from stg_lines as line
    inner join (select distinct one.place_number, one.part, one.position from lacking as one) as place
        on place.part = line.part and place.position = line.position
)

select distinct unit.unit_number, line.place_number
from lines as line
inner join fact_visits as visit on visit.job_id = line.job_id
inner join fact_units as unit on unit.unit_number = visit.unit_number
inner join lacking
    on lacking.model_number = unit.model_number and lacking.place_number = line.place_number
