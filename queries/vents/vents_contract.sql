-- name: vents_contract
-- answers: How many failures do contract units give, part by part?
-- grain: one row per part
-- inputs: fact_exposure
-- params: none
-- choice: Lives of known birth; trips count as failures, as in fact_exposure.
-- trap: A part with stretches at risk and no failure is a row of 0.
-- source: methods page, "Vents"
-- adds: sums failures; order part
select exposure.part, count(*) filter (where exposure.failed) as failures
from fact_exposure as exposure
where exposure.followed_as = 'contract'
group by exposure.part
order by exposure.part
