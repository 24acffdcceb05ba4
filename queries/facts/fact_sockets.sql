-- name: fact_sockets
-- answers: Which parts does each unit have, whether or not a line ever named them?
-- grain: one row per unit, part and position
-- inputs: fact_units, fact_roster, fact_other_sockets, fact_places
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: A unit has the parts that the vocabulary puts on every unit of its fuel, once any line of
--    the records names that part, and those that a line names in its family. Several positions
--    hold for a whole family once two of its units show them.
-- trap: A socket known only because it failed would enter every curve by its failure; such a one
--    (a position seen in one unit alone) is watched only from its first replacement on.
-- source: methods page, "Sockets"
-- adds: by unit
select
    unit.unit_id,
    roster.part,
    roster.position,
    true as on_roster
from fact_units as unit
inner join fact_roster as roster on roster.model_number = unit.model_number
union all
select
    unit.unit_id,
    place.part,
    place.position,
    false as on_roster
from fact_other_sockets as socket
inner join fact_units as unit on unit.unit_number = socket.unit_number
inner join fact_places as place on place.place_number = socket.place_number
