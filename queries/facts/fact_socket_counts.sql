-- name: fact_socket_counts
-- answers: How many places for each part are there in all units?
-- grain: one row per part
-- inputs: fact_sockets, fact_units
-- params: none
-- choice: Units with and without a job.
-- trap: Of a part with several positions every one counts.
-- source: methods page, "Policy"
-- adds: sums sockets
select socket.part, count(*) as sockets
from fact_sockets as socket
inner join fact_units as unit on unit.unit_id = socket.unit_id
group by socket.part
