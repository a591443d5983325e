-- Moves the place up to which the closed part is sealed; nothing is affected where another sealer came first.
-- $1 bigint (moves, as it was read)
-- $2 text (site)
-- $3 boolean (whether the site is sealed)
-- $4 timestamp with time zone (readings before are sealed; null: no moment)
-- $5 timestamp with time zone (readings before are being sealed; null: not begun)
-- $6 bigint (of those, fans before this one are sealed)
-- $7 bigint (fans from there to before this one are scattered; 0: none)
UPDATE vaneward.journal_state
   SET moves = moves + 1, site = $2::text, is_done = $3::boolean, before_at = $4::timestamptz, until_at = $5::timestamptz,
       fan_no = $6::bigint, scattered_fans = $7::bigint
 WHERE moves = $1::bigint;
