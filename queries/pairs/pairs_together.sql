-- name: pairs_together
-- answers: How often are two parts replaced together, and how often had both failed?
-- grain: one row per ordered pair of parts and family
-- inputs: fact_together
-- params: none
-- choice: Call-out episodes in which any part failed or was replaced. Trips count as failures.
-- trap: Replaced together tells the habits of technicians; failed together tells the parts.
-- source: methods page, "Pairs"
-- adds: company
with totals as (
    select * from fact_together where part = ''
),

replaced as (
    select * from fact_together where part <> '' and other = ''
),

pairs as (
    select * from fact_together where other <> ''
)

select
    total.family,
    one.part as "first",
    other.part as "second",
    total.episodes as episodes_total,
    one.replaced as episodes_first,
    other.replaced as episodes_second,
    coalesce(pair.replaced, 0) as episodes_both,
    coalesce(pair.failed, 0) as both_failed,
    coalesce(pair.unit_count, 0) as unit_count
from totals as total
inner join replaced as one on one.family = total.family
inner join replaced as other on other.family = total.family and other.part <> one.part
left join pairs as pair
    on pair.family = total.family and pair.part = one.part and pair.other = other.part
order by "first", "second", total.family
