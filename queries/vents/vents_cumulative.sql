-- name: vents_cumulative
-- answers: How many years of its life so far has each part spent behind a neglected vent?
-- grain: one row per life, stretch of one neglect band and quarter of a year of neglect so far
-- inputs: fact_exposure, fact_units_use
-- params: $part, $followed (list of contract, call_out), $clean (the band that is not neglect),
--    $step (days)
-- choice: Neglect so far grows in every band but the clean one and stands still in that one. After
--    a stretch whose state is not known it is not known either (step -1).
-- trap: What a part has been through stays with it when the vent is cleaned; the state of the vent
--    today does not.
-- source: methods page, "Vents" (cumulative neglect)
-- adds: rows; order unit_id
with exposure as (
    select
        exposure.*,
        coalesce(sum(case when exposure.band = $clean then 0 else exposure.stop_days - exposure.start_days end) over (
            partition by exposure.unit_id, exposure.position, exposure.ordinal, exposure.span
            order by exposure.start_days
            rows between unbounded preceding and 1 preceding
        ), 0) as before_days,
        coalesce(bool_or(exposure.band = 'unknown') over (
            partition by exposure.unit_id, exposure.position, exposure.ordinal, exposure.span
            order by exposure.start_days
        ), false) or min(exposure.start_days) over (
            partition by exposure.unit_id, exposure.position, exposure.ordinal, exposure.span
        ) > 0 as lost
    from fact_exposure as exposure
    where exposure.part = $part
        and list_contains($followed, exposure.followed_as)
),

steps as (
    select
        exposure.*,
        case
            when exposure.lost then [-1]
            when exposure.band = $clean then [cast(floor(exposure.before_days / $step) as integer)]
            else range(
                cast(floor(exposure.before_days / $step) as integer),
                cast(floor((exposure.before_days + exposure.stop_days - exposure.start_days - 1) / $step) as integer) + 1
            )
        end as places
    from exposure
),

pieces as (
    select
        steps.*,
        unnest(steps.places) as step
    from steps
)

select
    piece.cluster_id,
    piece.unit_id,
    piece.family || ' ' || piece.first_or_later as stratum,
    cast(piece.step as integer) as step,
    use.loads_bin,
    piece.unit_age,
    coalesce(piece.fuel, 'unknown') as fuel,
    coalesce(piece.van_id, 'unknown') as van,
    case
        when piece.lost or piece.band = $clean then piece.start_days
        else greatest(piece.start_days, piece.start_days + piece.step * $step - piece.before_days)
    end as start_days,
    case
        when piece.lost or piece.band = $clean then piece.stop_days
        else least(piece.stop_days, piece.start_days + (piece.step + 1) * $step - piece.before_days)
    end as stop_days,
    piece.failed and (
        piece.lost or piece.band = $clean
        or piece.start_days + (piece.step + 1) * $step - piece.before_days >= piece.stop_days
    ) as failed
from pieces as piece
inner join fact_units_use as use on use.unit_id = piece.unit_id
order by piece.unit_id, piece.position, piece.ordinal, start_days
