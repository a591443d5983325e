-- Waits until no other import of a file runs; holds until the transaction ends.
SELECT pg_catalog.pg_advisory_xact_lock(pg_catalog.hashtextextended('vaneward import', 0));
