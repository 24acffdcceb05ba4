-- name: quality_followed
-- answers: How are units watched: by contract, from a call, or not at all?
-- grain: one row
-- inputs: stg_units, fact_spans
-- params: none
-- choice: A unit that joined within 30 days after a visit counts as call-out.
-- trap: Call-out units are here because something failed.
-- source: methods page, "Call-out units"
with spans as (
    select
        unit_id,
        bool_or(followed_as = 'contract') as contract,
        bool_or(leaves_unseen) as leaves_unseen,
        sum(ends_on - starts_on) as days_watched
    from fact_spans
    group by unit_id
)

select
    count(*) as units,
    count(*) filter (where span.contract) as contract_units,
    count(*) filter (where span.unit_id is not null and not span.contract) as call_out_units,
    count(*) filter (where span.leaves_unseen) as leave_unseen_units,
    count(*) filter (where span.unit_id is null) as never_watched_units,
    count(*) filter (where unit.installed_on is null) as installed_unknown,
    count(*) filter (where unit.loads_per_week is null) as loads_unknown,
    coalesce(sum(span.days_watched) filter (where span.contract), 0) as contract_days,
    coalesce(sum(span.days_watched) filter (where not span.contract), 0) as call_out_days
from stg_units as unit
left join spans as span on span.unit_id = unit.unit_id
