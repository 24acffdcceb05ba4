-- name: vents_failures
-- answers: How many failures do contract and call-out units give, by part and state of the vent?
-- grain: one row per part, way of being watched and band of neglect
-- inputs: fact_exposure
-- params: none
-- choice: Lives of known birth; trips count as failures, as in fact_exposure.
-- trap: A part with stretches at risk and no failure is a row of 0.
-- source: methods page, "Vents"
-- adds: sums failures; order part, followed_as, band
select
    exposure.part,
    exposure.followed_as,
    exposure.band,
    count(*) filter (where exposure.failed) as failures
from fact_exposure as exposure
group by exposure.part, exposure.followed_as, exposure.band
order by exposure.part, exposure.followed_as, exposure.band
