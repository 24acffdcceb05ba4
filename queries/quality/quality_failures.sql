-- name: quality_failures
-- answers: Which parts failed most often?
-- grain: one row per part, most failures first
-- inputs: fact_lives
-- params: none
-- choice: Lives of known birth only: these are what fitted lives rest on.
-- trap: A trip is no failure of the part's own.
-- source: methods page, "What ends a life"
select life.part, count(*) filter (where life.ending = 'failed') as failures
from fact_lives as life
where life.birth = 'known'
group by life.part
order by failures desc, life.part
