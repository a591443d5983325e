-- Which database system a server belongs to, and on which of its timelines it writes.
-- -> identifier text (of the system, the same on all copies of it)
-- -> timeline bigint (grows with each promotion of a standby; null: a standby, which does not write)
-- A role needs no grant for these. The file being written names the timeline at once after a promotion; what
-- pg_control_checkpoint() tells follows only with the next checkpoint.
SELECT (SELECT system_identifier::text FROM pg_control_system()) AS identifier,
       CASE WHEN NOT pg_is_in_recovery()
            THEN ('x' || left(pg_walfile_name(pg_current_wal_lsn()), 8))::bit(32)::bigint END AS timeline;
