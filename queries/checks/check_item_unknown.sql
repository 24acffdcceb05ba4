-- name: check_item_unknown
-- answers: Which lines fitted an item that the catalogue does not have?
-- grain: one row per part line
-- inputs: stg_lines, stg_catalogue
-- params: none (variables as_of, as_loaded)
-- choice: Add the item to the catalogue, or correct item_id.
-- trap: Nothing is said where no catalogue was loaded.
-- source: contract, section 1
with items as (
    select distinct item.item_id from stg_catalogue as item
)

select
    'check_item_unknown' as "check",
    'a line fitted an item that the catalogue does not have' as statement,
    'add the item to the catalogue, or correct item_id' as remedy,
    'lines' as "table",
    line.job_id as record_id,
    line.part || ', item ' || line.item_id as detail
from stg_lines as line
where line.item_id is not null
    and exists (select 1 from items)
    and not exists (select 1 from items as item where item.item_id = line.item_id)
