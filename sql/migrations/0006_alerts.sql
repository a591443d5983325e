-- Handing on of new episodes, and what the collectors say of themselves.

CREATE TABLE vaneward.alert_outbox (
    site            vaneward.plant_key NOT NULL,
    drive           vaneward.plant_key NOT NULL,
    fault           text NOT NULL,
    began_at        timestamptz NOT NULL,
    version         integer NOT NULL CHECK (version > 0),
    channel         text NOT NULL CHECK (channel IN ('command', 'webhook')),
    alert_id        text NOT NULL,
    event           text NOT NULL CHECK (event IN ('opened', 'alarm', 'ended', 'withdrawn')),
    alarm_at        timestamptz,
    ended_at        timestamptz,
    body            text NOT NULL,
    created_at      timestamptz NOT NULL,
    next_try_at     timestamptz NOT NULL,
    tries           integer NOT NULL DEFAULT 0 CHECK (tries >= 0),
    sent_at         timestamptz,
    given_up_at     timestamptz,
    last_error      text,
    PRIMARY KEY (site, drive, fault, began_at, version, channel)
);
CREATE INDEX alert_outbox_waiting ON vaneward.alert_outbox (channel, next_try_at)
    WHERE sent_at IS NULL AND given_up_at IS NULL;
COMMENT ON TABLE vaneward.alert_outbox IS 'New and changed episodes on their way to a command or webhook; written in the transaction that stores the episode';
COMMENT ON COLUMN vaneward.alert_outbox.site IS 'Site of the drive';
COMMENT ON COLUMN vaneward.alert_outbox.drive IS 'Drive';
COMMENT ON COLUMN vaneward.alert_outbox.fault IS 'fan or heat_sink_fan';
COMMENT ON COLUMN vaneward.alert_outbox.began_at IS 'First warning or alarm of the episode';
COMMENT ON COLUMN vaneward.alert_outbox.version IS 'Counts the alerts of the episode, from 1';
COMMENT ON COLUMN vaneward.alert_outbox.channel IS 'Where it goes: command or webhook';
COMMENT ON COLUMN vaneward.alert_outbox.alert_id IS 'Identity of the episode and its version, by which the other side can tell a repeated alert';
COMMENT ON COLUMN vaneward.alert_outbox.event IS 'What is new: opened, alarm, ended, or withdrawn when late data showed that there was no such episode';
COMMENT ON COLUMN vaneward.alert_outbox.alarm_at IS 'First alarm of the episode; null: none';
COMMENT ON COLUMN vaneward.alert_outbox.ended_at IS 'All clear; null: still open';
COMMENT ON COLUMN vaneward.alert_outbox.body IS 'JSON that is handed on, the same at each try';
COMMENT ON COLUMN vaneward.alert_outbox.created_at IS 'When it was written';
COMMENT ON COLUMN vaneward.alert_outbox.next_try_at IS 'Not to be tried before; while a try is under way, when another collector may try';
COMMENT ON COLUMN vaneward.alert_outbox.tries IS 'Tries that were begun';
COMMENT ON COLUMN vaneward.alert_outbox.sent_at IS 'When the other side had taken it; null: not yet';
COMMENT ON COLUMN vaneward.alert_outbox.given_up_at IS 'When it was given up; null: it was not';
COMMENT ON COLUMN vaneward.alert_outbox.last_error IS 'Why the last try failed; null: none failed';

CREATE TABLE vaneward.collector (
    collector         text NOT NULL PRIMARY KEY,
    version           text NOT NULL,
    started_at        timestamptz NOT NULL,
    seen_at           timestamptz NOT NULL,
    clock_stepped_at  timestamptz
);
COMMENT ON TABLE vaneward.collector IS 'Collectors that run, as they last reported; local to this database';
COMMENT ON COLUMN vaneward.collector.collector IS 'Host and process';
COMMENT ON COLUMN vaneward.collector.version IS 'Version of the program';
COMMENT ON COLUMN vaneward.collector.started_at IS 'When it started';
COMMENT ON COLUMN vaneward.collector.seen_at IS 'When it last reported';
COMMENT ON COLUMN vaneward.collector.clock_stepped_at IS 'When its clock last jumped, by the clock after the jump; null: it did not';
