-- A site whose closed part of the journal is larger than a step of sealing is first written anew by ranges of fans, so that
-- each step reads its own range only. Not logged, since it can be made again from the closed part, which is fixed: after a
-- crash it is empty.
CREATE UNLOGGED TABLE vaneward.journal_scattered (
    to_fan  bigint NOT NULL,
    row_no  bigint NOT NULL,
    data    bytea NOT NULL
) WITH (toast_tuple_target = 8160, autovacuum_enabled = false);
ALTER TABLE vaneward.journal_scattered ALTER data SET STORAGE EXTERNAL;
CREATE INDEX journal_scattered_order ON vaneward.journal_scattered (to_fan, row_no);
COMMENT ON TABLE vaneward.journal_scattered IS 'Readings of the site that is being sealed, by ranges of fans: a copy, see journal_state.scattered_fans; local to this database';
COMMENT ON COLUMN vaneward.journal_scattered.to_fan IS 'The range ends before this fan';
COMMENT ON COLUMN vaneward.journal_scattered.row_no IS 'Order within the range, by arrival';
COMMENT ON COLUMN vaneward.journal_scattered.data IS 'Packed readings with the journal rows that they come from (parcel.h)';

ALTER TABLE vaneward.journal_state ADD scattered_fans bigint NOT NULL DEFAULT 0;
COMMENT ON COLUMN vaneward.journal_state.scattered_fans IS 'Fans from fan_no to before this one lie in journal_scattered, unless that is empty; 0: none';

CREATE TABLE vaneward.reading_damaged (
    damaged_id   uuid PRIMARY KEY DEFAULT gen_random_uuid(),
    site         vaneward.plant_key NOT NULL,
    fan_no       integer NOT NULL,
    starts_at    timestamptz NOT NULL,
    received_at  timestamptz NOT NULL,
    readings     integer NOT NULL,
    data         bytea NOT NULL,
    reason       text NOT NULL,
    found_at     timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE vaneward.reading_damaged IS 'Hour and day blocks that could not be unpacked, kept as they were; each is told in set_aside too';
COMMENT ON COLUMN vaneward.reading_damaged.damaged_id IS 'Identity of the row';
COMMENT ON COLUMN vaneward.reading_damaged.site IS 'Site of the fan';
COMMENT ON COLUMN vaneward.reading_damaged.fan_no IS 'Number of the fan within the site';
COMMENT ON COLUMN vaneward.reading_damaged.starts_at IS 'Beginning of its hour or day';
COMMENT ON COLUMN vaneward.reading_damaged.received_at IS 'When the last of its readings was received';
COMMENT ON COLUMN vaneward.reading_damaged.readings IS 'How many readings it said to hold';
COMMENT ON COLUMN vaneward.reading_damaged.data IS 'Its bytes';
COMMENT ON COLUMN vaneward.reading_damaged.reason IS 'What was wrong';
COMMENT ON COLUMN vaneward.reading_damaged.found_at IS 'When the sealer found it';

-- Whoever has rights in the journal has them in these too.
DO $$
DECLARE
    r record;
BEGIN
    FOR r IN SELECT a.privilege_type AS what, CASE a.grantee WHEN 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(a.grantee)) END AS who
               FROM pg_class c, aclexplode(c.relacl) a
              WHERE c.oid = 'vaneward.journal'::regclass AND a.grantee <> c.relowner
    LOOP
        EXECUTE format('GRANT %s ON vaneward.journal_scattered, vaneward.reading_damaged TO %s', r.what, r.who);
    END LOOP;
END $$;
