-- name: fact_sockets
-- answers: Which parts does each unit have, whether or not a line ever named them?
-- grain: one row per unit, part and position
-- inputs: fact_units, fact_roster, fact_findings
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
select distinct
    finding.unit_id,
    finding.part,
    cast(finding.position as integer) as position,
    false as on_roster
from fact_findings as finding
inner join fact_units as unit on unit.unit_id = finding.unit_id
where not exists (
    select 1
    from fact_roster as roster
    where roster.model_number = unit.model_number
        and roster.part = finding.part
        and roster.position = finding.position
)
