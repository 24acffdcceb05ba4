-- name: quality_selection
-- answers: Which units joined late, which left without a word, and whose failures are these?
-- grain: one row
-- inputs: fact_spans, fact_lives, stg_units
-- params: none
-- choice: A contract unit joined late when its first span begins after it was installed; one whose
--    installation is unknown is counted apart. Failures are those that end a life of a part.
-- trap: A unit can be call-out first and on contract later; it counts under each.
-- source: methods page, "Birth", "Call-out units"
with spans as (
    select
        span.unit_id,
        bool_or(span.followed_as = 'contract') as contract,
        bool_or(span.followed_as = 'call_out') as call_out,
        bool_or(span.leaves_unseen) as leaves_unseen,
        min(span.starts_on) as starts_on
    from fact_spans as span
    group by span.unit_id
),

units as (
    select
        count(*) filter (where span.contract) as contract_units,
        count(*) filter (where span.contract and span.starts_on > unit.installed_on) as joined_late,
        count(*) filter (where span.contract and unit.installed_on is null) as installed_unknown,
        count(*) filter (where span.call_out) as call_out_units,
        count(*) filter (where span.leaves_unseen) as leave_unseen_units
    from spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
),

failures as (
    select
        count(*) filter (where life.followed_as = 'contract') as contract_failures,
        count(*) filter (where life.followed_as = 'call_out') as call_out_failures
    from fact_lives as life
    where life.ending in ('failed', 'tripped')
)

select
    units.contract_units,
    units.joined_late,
    units.installed_unknown,
    units.call_out_units,
    units.leave_unseen_units,
    failures.contract_failures,
    failures.call_out_failures
from units
cross join failures
