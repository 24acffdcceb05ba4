-- name: fact_sockets
-- answers: Which parts does each unit have, whether or not a line ever named them?
-- grain: one row per unit, part and position
-- inputs: stg_units, stg_parts, fact_findings
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: A unit has the parts that the vocabulary puts on every unit of its fuel, once any line of
--    the records names that part, and those that a line names in its family. Several positions
--    hold for a whole family once two of its units show them.
-- trap: A socket known only because it failed would enter every curve by its failure; such a one
--    (a position seen in one unit alone) is watched only from its first replacement on.
-- source: methods page, "Sockets"
with units as (
    select unit.unit_id, unit.family, unit.fuel from stg_units as unit
),

named as (
    select finding.part, finding.position, unit.family, count(distinct unit.unit_id) as unit_count
    from fact_findings as finding
    inner join units as unit on unit.unit_id = finding.unit_id
    group by finding.part, finding.position, unit.family
),

named_parts as (
    select distinct part from named
),

named_families as (
    select distinct part, family from named
),

family_positions as (
    select part, family, position
    from named
    where unit_count >= 2
),

parts as (
    select
        named_part.part,
        coalesce(known.fuels, ['electric', 'gas', 'heat_pump']) as fuels,
        coalesce(known.on_every_unit, false) as on_every_unit
    from named_parts as named_part
    left join stg_parts as known on known.part = named_part.part
),

fitted as (
    select unit.unit_id, unit.family, part.part
    from units as unit
    cross join parts as part
    where list_contains(part.fuels, unit.fuel)
        and (
            part.on_every_unit
            or exists (
                select 1 from named_families as seen
                where seen.part = part.part and seen.family = unit.family
            )
        )
),

roster as (
    select fitted.unit_id, fitted.part, 1 as position from fitted
    union
    select fitted.unit_id, fitted.part, place.position
    from fitted
    inner join family_positions as place
        on place.part = fitted.part and place.family = fitted.family
),

seen as (
    select distinct finding.unit_id, finding.part, finding.position from fact_findings as finding
)

select
    coalesce(roster.unit_id, seen.unit_id) as unit_id,
    coalesce(roster.part, seen.part) as part,
    cast(coalesce(roster.position, seen.position) as integer) as position,
    roster.unit_id is not null as on_roster
from roster
full outer join seen
    on seen.unit_id = roster.unit_id and seen.part = roster.part and seen.position = roster.position
