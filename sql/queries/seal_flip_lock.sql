-- Waits until nobody is writing to the journal, and lets nobody begin before the transaction ends.
-- -> locked boolean
SELECT pg_advisory_xact_lock(hashtext('vaneward'), hashtext('journal')) IS NOT NULL AS locked;
