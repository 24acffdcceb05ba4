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
with named as (
    select finding.part, finding.position, unit.family, unit.fuel, finding.unit_id
    from fact_findings as finding
    inner join stg_units as unit on unit.unit_id = finding.unit_id
),

-- a position holds for a family once two of its units show it
shown as (
    select part, position, family, min(unit_id) < max(unit_id) as by_two_units
    from named
    group by part, position, family
),

parts as (
    select
        named_part.part,
        coalesce(known.fuels, ['electric', 'gas', 'heat_pump']) as fuels,
        coalesce(known.on_every_unit, false) as on_every_unit
    from (select distinct shown.part from shown) as named_part
    left join stg_parts as known on known.part = named_part.part
),

kinds as (
    select distinct unit.family, unit.fuel from stg_units as unit
),

fitted as (
    select kind.family, kind.fuel, part.part
    from kinds as kind
    cross join parts as part
    where list_contains(part.fuels, kind.fuel)
        and (
            part.on_every_unit
            or exists (
                select 1 from shown as seen
                where seen.part = part.part and seen.family = kind.family
            )
        )
),

-- few rows: what every unit of one family and fuel has
roster as (
    select fitted.family, fitted.fuel, fitted.part, 1 as position from fitted
    union
    select fitted.family, fitted.fuel, fitted.part, place.position
    from fitted
    inner join shown as place
        on place.part = fitted.part and place.family = fitted.family and place.by_two_units
)

select
    unit.unit_id,
    roster.part,
    cast(roster.position as integer) as position,
    true as on_roster
from stg_units as unit
inner join roster on roster.family = unit.family and roster.fuel = unit.fuel
union all
select distinct
    named.unit_id,
    named.part,
    cast(named.position as integer) as position,
    false as on_roster
from named
where not exists (
    select 1
    from roster
    where roster.family = named.family
        and roster.fuel = named.fuel
        and roster.part = named.part
        and roster.position = named.position
)
