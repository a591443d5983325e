-- Takes the right to seal until the end of the transaction; false: another process has it.
-- -> taken boolean
SELECT pg_try_advisory_xact_lock(hashtext('vaneward'), hashtext('seal')) AS taken;
