-- name: vents_same_unit
-- answers: When one of two parts of a unit failed, which was it, and how old were both?
-- grain: one row per failure of the part or the control while the age of both was known
-- inputs: fact_exposure, fact_units_use
-- params: $part, $control, $followed (list of contract, call_out)
-- choice: Both failing on one day gives two rows, one for each.
-- trap: Whatever multiplies the hazards of both parts cancels here, recorded or not; what reaches
--    only one of them does not.
-- source: methods page, "Vents" (within-unit estimate)
-- adds: rows; order unit_id
with failures as (
    select exposure.*
    from fact_exposure as exposure
    where exposure.part in ($part, $control)
        and exposure.failed
        and list_contains($followed, exposure.followed_as)
),

others as (
    select
        exposure.unit_id,
        exposure.part,
        exposure.born_on,
        exposure.born_on + cast(exposure.start_days as integer) as from_day,
        exposure.born_on + cast(exposure.stop_days as integer) as to_day
    from fact_exposure as exposure
    where exposure.part in ($part, $control)
        and list_contains($followed, exposure.followed_as)
)

select
    failure.unit_id,
    failure.cluster_id,
    failure.part = $part as is_part,
    failure.band,
    use.loads_bin,
    case when failure.part = $part then failure.stop_days
        else failure.born_on + cast(failure.stop_days as integer) - other.born_on
    end as part_age,
    case when failure.part = $control then failure.stop_days
        else failure.born_on + cast(failure.stop_days as integer) - other.born_on
    end as control_age
from failures as failure
inner join others as other
    on other.unit_id = failure.unit_id
    and other.part <> failure.part
    and other.from_day < failure.born_on + cast(failure.stop_days as integer)
    and other.to_day >= failure.born_on + cast(failure.stop_days as integer)
inner join fact_units_use as use on use.unit_id = failure.unit_id
order by failure.unit_id, failure.part, failure.ordinal
