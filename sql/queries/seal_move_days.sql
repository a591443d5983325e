-- Moves the place from which closed days are looked for; nothing is affected where another sealer came first.
-- $1 bigint (moves, as it was read)
-- $2 text (site)
-- $3 integer (fan)
UPDATE vaneward.journal_state SET moves = moves + 1, day_site = $2::text, day_fan_no = $3::integer
 WHERE moves = $1::bigint;
