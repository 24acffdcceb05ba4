-- name: fact_lives
-- answers: From which age to which age was each part's life watched, and how did it end?
-- grain: one row per life (unit, part, position, ordinal) and span of observation
-- inputs: fact_numbered_lives, fact_watched, fact_places, fact_modes, fact_items
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: What ends a life is decided in fact_numbered_lives; here its words and ages are put in.
--    Birth is known when the unit was watched as the part went in; else it is assumed to be the
--    installation or the recorded fitting, or unknown.
-- trap: A part found in a unit that joined later may already be a replacement, so its age is an
--    assumption. A unit is not at risk before it is watched: entry counts as much as exit.
-- source: methods page, "What ends a life", "Birth", "Observation"
-- adds: by unit
with dated as (
    select
        life.*,
        span.*,
        greatest(life.born_on, span.starts_on) as enters_on,
        coalesce(life.closes_on, span.ends_on) as exits_on,
        coalesce(
            life.closes_on,
            greatest(span.ends_by_contact_on, greatest(life.born_on, span.starts_on))
        ) as exits_by_contact_on
    from fact_numbered_lives as life
    inner join fact_watched as span on span.rowid = life.span_number
)

select
    life.unit_id,
    place.part,
    place.position,
    life.ordinal,
    case when life.first_fitted then 'first' else 'later' end as first_or_later,
    case
        when life.born_on is null then 'unknown'
        when life.born_on >= life.starts_on then 'known'
        else 'assumed'
    end as birth,
    life.born_on,
    life.enters_on,
    life.exits_on,
    life.exits_by_contact_on,
    life.enters_on - life.born_on as entry_days,
    life.exits_on - life.born_on as exit_days,
    life.exits_by_contact_on - life.born_on as exit_by_contact_days,
    case life.closes_by
        when 5 then 'tripped'
        when 4 then 'failed'
        when 3 then 'preventive'
        when 2 then 'replaced_working'
        when 1 then 'replaced_unknown'
        else life.ends_because
    end as ending,
    mode.mode,
    coalesce(list_contains(place.silent_modes, mode.mode), false) as silent,
    item.item_id,
    life.span,
    life.followed_as,
    life.leaves_unseen,
    life.family,
    life.fuel,
    life.van_id,
    life.building_id,
    life.loads_per_week,
    life.duct_material,
    life.termination
from dated as life
inner join fact_places as place on place.place_number = life.place_number
left join fact_modes as mode on mode.mode_number = life.closes_mode
left join fact_items as item on item.item_number = life.item_number
