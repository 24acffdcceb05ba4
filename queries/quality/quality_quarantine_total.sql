-- name: quality_quarantine_total
-- answers: How many rows wait in quarantine?
-- grain: one row
-- inputs: raw.quarantine
-- params: none
-- choice: Rows already re-admitted do not count.
-- trap: A refused unit takes its jobs and their lines with it until it is corrected.
-- source: contract, section 5
select count(*) as quarantined from raw.quarantine where released_in is null
