-- name: verify_use
-- answers: How many of each part did jobs need since a day, by the facts that stock reads?
-- grain: one row per part
-- inputs: fact_demand
-- params: $since
-- choice: Jobs opened after the day; needed is replaced, or failed and kept.
-- trap: This is our side of the comparison; theirs is counted from raw rows.
-- source: methods page, "Stock"
with needed as (
    select unnest(demand.needs) as part
    from fact_demand as demand
    where demand.opened_on > $since
)

select part, count(*) as needed
from needed
group by part
order by part
