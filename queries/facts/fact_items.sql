-- name: fact_items
-- answers: Which items were fitted?
-- grain: one row per item, numbered in the order of the ids
-- inputs: stg_lines
-- params: none (variables as_of, as_loaded)
-- choice: The larger number is the later id, so that a maximum is the same for both.
-- trap: The catalogue is another table: an item may be fitted that it does not list.
-- source: methods page, first section
select
    cast(row_number() over (order by line.item_id) as integer) as item_number,
    line.item_id
from (select distinct fitted.item_id from stg_lines as fitted where fitted.item_id is not null) as line
