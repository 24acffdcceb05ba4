-- name: policy_service
-- answers: How old were units under contract when watching began and ended, and were they retired?
-- grain: one row per unit and span under contract
-- inputs: fact_spans, stg_units
-- params: none
-- choice: Contract units only: of a call-out unit nobody hears that it was scrapped. A unit that
--    left for another reason was in service that long at least.
-- trap: A unit joins at some age; it counts only from then on.
-- source: methods page, "Policy"
-- adds: rows; order unit_id
select
    span.unit_id,
    span.starts_on - unit.installed_on as from_days,
    span.ends_on - unit.installed_on as to_days,
    span.ends_because = 'retired' as retired
from fact_spans as span
inner join stg_units as unit on unit.unit_id = span.unit_id
where span.followed_as = 'contract'
    and unit.installed_on is not null
    and span.ends_on > span.starts_on
order by span.unit_id, span.starts_on
