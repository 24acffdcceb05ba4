-- name: fact_items
-- answers: Which items were fitted?
-- grain: one row per item, numbered in the order of the ids
-- inputs: fact_seen_items
-- params: none (variables as_of, as_loaded)
-- choice: The larger number is the later id, so that a maximum is the same for both.
-- trap: The catalogue is another table: an item may be fitted that it does not list.
-- source: methods page, first section
-- adds: company
select
    cast(row_number() over (order by line.item_id) as integer) as item_number,
    line.item_id
from fact_seen_items as line
