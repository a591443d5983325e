-- The journal in two parts: collectors write into the open one while the sealer works through the other, which nobody
-- changes, and empties it as a whole. Rows of before are the open part.
CREATE TABLE vaneward.journal_state (
    only_row    boolean PRIMARY KEY DEFAULT true CHECK (only_row),
    moves       bigint NOT NULL DEFAULT 0,
    open_part   smallint NOT NULL DEFAULT 0 CHECK (open_part IN (0, 1)),
    site        text NOT NULL DEFAULT '',
    is_done     boolean NOT NULL DEFAULT false,
    before_at   timestamptz,
    until_at    timestamptz,
    fan_no      bigint NOT NULL DEFAULT 0,
    day_site    text NOT NULL DEFAULT '',
    day_fan_no  integer NOT NULL DEFAULT 0,
    raw_from    date
);
COMMENT ON TABLE vaneward.journal_state IS 'Which part of the journal is written to, and how far the other one is sealed; one row, local to this database';
COMMENT ON COLUMN vaneward.journal_state.only_row IS 'There is one row';
COMMENT ON COLUMN vaneward.journal_state.moves IS 'Counts the changes of this row, so that of two sealers one comes too late';
COMMENT ON COLUMN vaneward.journal_state.open_part IS 'Part that collectors write to';
COMMENT ON COLUMN vaneward.journal_state.site IS 'Site that is being sealed: in the closed part, those before it are sealed';
COMMENT ON COLUMN vaneward.journal_state.is_done IS 'Whether this site is sealed too';
COMMENT ON COLUMN vaneward.journal_state.before_at IS 'Readings of the site before this moment are sealed; null: no moment';
COMMENT ON COLUMN vaneward.journal_state.until_at IS 'Readings of the site before this moment are being sealed, by ranges of fans; null: not begun';
COMMENT ON COLUMN vaneward.journal_state.fan_no IS 'Of those, fans before this one are sealed';
COMMENT ON COLUMN vaneward.journal_state.day_site IS 'Where the search for hour blocks of closed days goes on, a hint: site';
COMMENT ON COLUMN vaneward.journal_state.day_fan_no IS 'Where the search for hour blocks of closed days goes on, a hint: fan';
COMMENT ON COLUMN vaneward.journal_state.raw_from IS 'Raw readings of days before this one were dropped by retention; null: none were';
INSERT INTO vaneward.journal_state DEFAULT VALUES;

-- Shared with other writers until the transaction ends: the part cannot be closed before that. The state is read after
-- the lock is held. Runs with the rights of its owner, since a role that may write readings need not see the state.
CREATE FUNCTION vaneward.journal_open_part() RETURNS smallint
LANGUAGE plpgsql VOLATILE SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    PERFORM pg_advisory_xact_lock_shared(hashtext('vaneward'), hashtext('journal'));
    RETURN (SELECT open_part FROM vaneward.journal_state);
END $$;
COMMENT ON FUNCTION vaneward.journal_open_part() IS 'The part of the journal to write to, which stays open until the transaction ends';

ALTER TABLE vaneward.journal RENAME TO journal_0;
ALTER TABLE vaneward.journal_0 DROP CONSTRAINT journal_pkey, ALTER journal_no DROP IDENTITY,
    ADD part smallint NOT NULL DEFAULT 0;
CREATE TABLE vaneward.journal (LIKE vaneward.journal_0 INCLUDING COMMENTS INCLUDING CONSTRAINTS INCLUDING STORAGE)
    PARTITION BY LIST (part);
ALTER TABLE vaneward.journal ALTER part SET DEFAULT vaneward.journal_open_part(),
    ALTER journal_no ADD GENERATED ALWAYS AS IDENTITY;
SELECT setval(pg_get_serial_sequence('vaneward.journal', 'journal_no'), coalesce(max(journal_no), 0) + 1, false)
  FROM vaneward.journal_0;
CREATE INDEX journal_order ON vaneward.journal (site, journal_no);
CREATE TABLE vaneward.journal_1 PARTITION OF vaneward.journal FOR VALUES IN (1);
ALTER TABLE vaneward.journal_1 ALTER data SET STORAGE EXTERNAL;
ALTER TABLE vaneward.journal ATTACH PARTITION vaneward.journal_0 FOR VALUES IN (0);
COMMENT ON TABLE vaneward.journal IS 'Readings as they came, packed by batch, until the sealer has folded them into blocks; local to this database';
COMMENT ON COLUMN vaneward.journal.journal_no IS 'Order of arrival in this database; readings that the sealer leaves for later keep theirs, so it need not be unique';
COMMENT ON COLUMN vaneward.journal.part IS 'Which of the two parts';
COMMENT ON TABLE vaneward.journal_0 IS 'One part of the journal';
COMMENT ON COLUMN vaneward.journal_0.part IS 'Which of the two parts';
COMMENT ON TABLE vaneward.journal_1 IS 'The other part of the journal';

CREATE VIEW vaneward.journal_waiting AS
SELECT j.site, j.journal_no, j.received_at, j.newest_at, j.readings, j.data,
       CASE WHEN j.part <> s.open_part AND j.site = s.site THEN s.before_at END AS sealed_before,
       CASE WHEN j.part <> s.open_part AND j.site = s.site THEN s.until_at END AS sealed_until,
       CASE WHEN j.part <> s.open_part AND j.site = s.site THEN s.fan_no END AS sealed_fans
  FROM vaneward.journal j CROSS JOIN vaneward.journal_state s
 WHERE j.part = s.open_part OR j.site > s.site OR (j.site = s.site AND NOT s.is_done);
COMMENT ON VIEW vaneward.journal_waiting IS 'Journal rows with readings that are not sealed. A row''s readings before sealed_before lie in blocks already, and those before sealed_until of fans below sealed_fans';
COMMENT ON COLUMN vaneward.journal_waiting.site IS 'Site of the fans';
COMMENT ON COLUMN vaneward.journal_waiting.journal_no IS 'Order of arrival in this database';
COMMENT ON COLUMN vaneward.journal_waiting.received_at IS 'When the collector received them';
COMMENT ON COLUMN vaneward.journal_waiting.newest_at IS 'Newest moment among the readings';
COMMENT ON COLUMN vaneward.journal_waiting.readings IS 'How many readings, the sealed ones included';
COMMENT ON COLUMN vaneward.journal_waiting.data IS 'Packed readings of many fans (block.h)';
COMMENT ON COLUMN vaneward.journal_waiting.sealed_before IS 'Readings before this moment are sealed; null: none by time';
COMMENT ON COLUMN vaneward.journal_waiting.sealed_until IS 'Readings before this moment are sealed for the fans below sealed_fans; null: of no fan';
COMMENT ON COLUMN vaneward.journal_waiting.sealed_fans IS 'See sealed_until';

CREATE TABLE vaneward.journal_damaged (
    damaged_id   uuid PRIMARY KEY DEFAULT gen_random_uuid(),
    site         vaneward.plant_key NOT NULL,
    journal_no   bigint NOT NULL,
    received_at  timestamptz NOT NULL,
    newest_at    timestamptz NOT NULL,
    readings     integer NOT NULL,
    data         bytea NOT NULL,
    reason       text NOT NULL,
    found_at     timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE vaneward.journal_damaged IS 'Journal rows that could not be unpacked, kept as they were; each is told in set_aside too';
COMMENT ON COLUMN vaneward.journal_damaged.damaged_id IS 'Identity of the row';
COMMENT ON COLUMN vaneward.journal_damaged.site IS 'Site of the fans';
COMMENT ON COLUMN vaneward.journal_damaged.journal_no IS 'Order of arrival in the journal';
COMMENT ON COLUMN vaneward.journal_damaged.received_at IS 'When the collector received them';
COMMENT ON COLUMN vaneward.journal_damaged.newest_at IS 'Newest moment among the readings';
COMMENT ON COLUMN vaneward.journal_damaged.readings IS 'How many readings it said to hold';
COMMENT ON COLUMN vaneward.journal_damaged.data IS 'Its bytes';
COMMENT ON COLUMN vaneward.journal_damaged.reason IS 'What was wrong';
COMMENT ON COLUMN vaneward.journal_damaged.found_at IS 'When the sealer found it';

-- Whoever had rights in the journal has them in what it is made of now.
DO $$
DECLARE
    r record;
BEGIN
    FOR r IN SELECT a.privilege_type AS what, CASE a.grantee WHEN 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(a.grantee)) END AS who
               FROM pg_class c, aclexplode(c.relacl) a
              WHERE c.oid = 'vaneward.journal_0'::regclass AND a.grantee <> c.relowner
    LOOP
        EXECUTE format('GRANT %s ON vaneward.journal, vaneward.journal_1, vaneward.journal_state, vaneward.journal_waiting,'
                       ' vaneward.journal_damaged TO %s', r.what, r.who);
    END LOOP;
END $$;
