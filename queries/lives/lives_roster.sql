-- name: lives_roster
-- answers: How many units are there?
-- grain: one row
-- inputs: stg_units
-- params: none
-- choice: Units without a job count too: lives are built from the roster.
-- trap: It is what decides whether all units are gone through one by one, or some that are drawn.
-- source: methods page, first section
-- adds: sums units
select count(*) as units
from stg_units as unit
