-- Waits until no other load of the register runs; holds until the transaction ends.
SELECT pg_catalog.pg_advisory_xact_lock(pg_catalog.hashtextextended('vaneward register', 0));
