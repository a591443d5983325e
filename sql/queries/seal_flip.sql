-- Closes the open part of the journal and opens the other one, which is empty.
-- $1 bigint (moves, as it was read)
UPDATE vaneward.journal_state
   SET moves = moves + 1, open_part = 1 - open_part, site = '', is_done = false, before_at = NULL, until_at = NULL, fan_no = 0,
       scattered_fans = 0
 WHERE moves = $1::bigint;
