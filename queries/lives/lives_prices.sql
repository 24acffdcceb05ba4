-- name: lives_prices
-- answers: What does each fitted item cost?
-- grain: one row per item
-- inputs: stg_catalogue, stg_lines, fact_visits
-- params: $part
-- choice: The latest price in the catalogue (listed); where it has none, the mean of what was paid,
--    paid_total / paid_lines.
-- trap: A price says nothing of how long the item lasts before families are held apart.
-- source: contract, section 1
-- adds: sums paid_total, paid_lines; order item_id
with listed as (
    select catalogue.item_id, arg_max(catalogue.price, coalesce(catalogue.valid_from, date '0001-01-01')) as listed
    from stg_catalogue as catalogue
    where catalogue.part = $part
    group by catalogue.item_id
),

fitted as (
    select max(line.item_id) as item_id, max(line.cost) as cost
    from stg_lines as line
    inner join fact_visits as visit on visit.job_id = line.job_id
    where line.part = $part and line.action = 'replaced'
    group by line.job_id, line.position
),

paid as (
    select fitted.item_id, sum(fitted.cost) as paid_total, count(*) as paid_lines
    from fitted
    where fitted.item_id is not null and fitted.cost is not null
    group by fitted.item_id
)

select
    coalesce(listed.item_id, paid.item_id) as item_id,
    listed.listed,
    paid.paid_total,
    paid.paid_lines
from listed
full outer join paid on paid.item_id = listed.item_id
order by item_id
