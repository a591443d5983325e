-- What the collector stores (raw) and derives from it (fan_day, episode).
CREATE TABLE vaneward.source_cursor (
    site             vaneward.plant_key NOT NULL,
    source           vaneward.plant_key NOT NULL,
    instance         text NOT NULL DEFAULT '',
    next_sequence    bigint NOT NULL DEFAULT 0 CHECK (next_sequence >= 0),
    last_sequence    bigint,
    buffer_size      bigint,
    last_contact_at  timestamptz,
    clock_offset_ms  bigint,
    last_error_at    timestamptz,
    last_error       text,
    failures         integer NOT NULL DEFAULT 0,
    PRIMARY KEY (site, source),
    FOREIGN KEY (site, source) REFERENCES vaneward.source (site, source) ON DELETE CASCADE
) WITH (fillfactor = 50);
COMMENT ON TABLE vaneward.source_cursor IS 'How far each source has been read; moved in the same transaction as what was read is stored';
COMMENT ON COLUMN vaneward.source_cursor.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.source_cursor.source IS 'Source';
COMMENT ON COLUMN vaneward.source_cursor.instance IS 'Instance of the source that the sequence belongs to; empty before the first contact';
COMMENT ON COLUMN vaneward.source_cursor.next_sequence IS 'Sequence to ask for next';
COMMENT ON COLUMN vaneward.source_cursor.last_sequence IS 'Newest sequence that the source held at the last contact';
COMMENT ON COLUMN vaneward.source_cursor.buffer_size IS 'Observations that the source can hold';
COMMENT ON COLUMN vaneward.source_cursor.last_contact_at IS 'Last good answer';
COMMENT ON COLUMN vaneward.source_cursor.clock_offset_ms IS 'The publisher''s clock minus ours at the last contact, in milliseconds';
COMMENT ON COLUMN vaneward.source_cursor.last_error_at IS 'Last failed poll';
COMMENT ON COLUMN vaneward.source_cursor.last_error IS 'Why the last failed poll failed';
COMMENT ON COLUMN vaneward.source_cursor.failures IS 'Failed polls since the last good one';

CREATE TABLE vaneward.journal (
    site           vaneward.plant_key NOT NULL,
    journal_no     bigint GENERATED ALWAYS AS IDENTITY,
    received_at    timestamptz NOT NULL,
    newest_at      timestamptz NOT NULL,
    readings       integer NOT NULL CHECK (readings > 0),
    data           bytea NOT NULL,
    PRIMARY KEY (site, journal_no)
);
ALTER TABLE vaneward.journal ALTER data SET STORAGE EXTERNAL;
COMMENT ON TABLE vaneward.journal IS 'Readings as they came, packed by batch, until the sealer has folded them into blocks; local to this database';
COMMENT ON COLUMN vaneward.journal.site IS 'Site of the fans';
COMMENT ON COLUMN vaneward.journal.journal_no IS 'Order of arrival in this database';
COMMENT ON COLUMN vaneward.journal.received_at IS 'When the collector received them';
COMMENT ON COLUMN vaneward.journal.newest_at IS 'Newest moment among the readings';
COMMENT ON COLUMN vaneward.journal.readings IS 'How many readings';
COMMENT ON COLUMN vaneward.journal.data IS 'Packed readings of many fans (block.h)';

CREATE TABLE vaneward.reading_hour (
    site         vaneward.plant_key NOT NULL,
    fan_no       integer NOT NULL,
    starts_at    timestamptz NOT NULL,
    received_at  timestamptz NOT NULL,
    readings     integer NOT NULL CHECK (readings > 0),
    data         bytea NOT NULL,
    PRIMARY KEY (site, fan_no, starts_at)
) PARTITION BY RANGE (starts_at);
COMMENT ON TABLE vaneward.reading_hour IS 'Packed readings of one fan and hour of a day that is not yet closed; partitions by day, dropped when the day is folded';
COMMENT ON COLUMN vaneward.reading_hour.site IS 'Site of the fan';
COMMENT ON COLUMN vaneward.reading_hour.fan_no IS 'Number of the fan within the site';
COMMENT ON COLUMN vaneward.reading_hour.starts_at IS 'Beginning of the hour, UTC';
COMMENT ON COLUMN vaneward.reading_hour.received_at IS 'When the last of them was received';
COMMENT ON COLUMN vaneward.reading_hour.readings IS 'How many readings';
COMMENT ON COLUMN vaneward.reading_hour.data IS 'Packed readings (block.h)';

CREATE TABLE vaneward.reading_day (
    site         vaneward.plant_key NOT NULL,
    fan_no       integer NOT NULL,
    starts_at    timestamptz NOT NULL,
    received_at  timestamptz NOT NULL,
    readings     integer NOT NULL CHECK (readings > 0),
    data         bytea NOT NULL,
    PRIMARY KEY (site, fan_no, starts_at)
) PARTITION BY RANGE (starts_at);
COMMENT ON TABLE vaneward.reading_day IS 'Packed readings of one fan and UTC day; partitions by day, retention by drop';
COMMENT ON COLUMN vaneward.reading_day.site IS 'Site of the fan';
COMMENT ON COLUMN vaneward.reading_day.fan_no IS 'Number of the fan within the site';
COMMENT ON COLUMN vaneward.reading_day.starts_at IS 'Beginning of the day, UTC';
COMMENT ON COLUMN vaneward.reading_day.received_at IS 'When the last of them was received';
COMMENT ON COLUMN vaneward.reading_day.readings IS 'How many readings';
COMMENT ON COLUMN vaneward.reading_day.data IS 'Packed readings (block.h)';

-- Makes the day's partitions of both tables where they are missing. The storage of packed bytes is external:
-- they do not compress further.
CREATE FUNCTION vaneward.make_day_partition(parent text, day date) RETURNS void
LANGUAGE plpgsql AS $$
DECLARE
    leaf text := format('%s_%s', parent, to_char(day, 'YYYYMMDD'));
BEGIN
    IF to_regclass('vaneward.' || leaf) IS NULL THEN
        EXECUTE format('CREATE TABLE IF NOT EXISTS vaneward.%I PARTITION OF vaneward.%I FOR VALUES FROM (%L) TO (%L)',
                       leaf, parent, day::timestamp AT TIME ZONE 'UTC', (day + 1)::timestamp AT TIME ZONE 'UTC');
        EXECUTE format('ALTER TABLE vaneward.%I ALTER data SET STORAGE EXTERNAL', leaf);
    END IF;
END $$;
COMMENT ON FUNCTION vaneward.make_day_partition(text, date) IS 'Makes the partition of reading_hour or reading_day for a UTC day unless it is there';

CREATE TABLE vaneward.condition (
    site          vaneward.plant_key NOT NULL,
    source        text NOT NULL,
    instance      text NOT NULL,
    sequence      bigint NOT NULL,
    received_at   timestamptz NOT NULL,
    occurred_at   timestamptz NOT NULL,
    device        text NOT NULL,
    item          text NOT NULL,
    item_type     text NOT NULL DEFAULT '',
    state         text NOT NULL CHECK (state IN ('normal', 'warning', 'alarm', 'unavailable')),
    native_code   text,
    condition_id  text,
    severity      text,
    qualifier     text,
    message       text,
    machine       vaneward.plant_key,
    drive         vaneward.plant_key,
    axis          vaneward.plant_key,
    folded        boolean NOT NULL DEFAULT false,
    PRIMARY KEY (site, source, instance, sequence)
);
CREATE INDEX condition_drive ON vaneward.condition (site, drive, occurred_at);
CREATE INDEX condition_to_fold ON vaneward.condition (site, drive) WHERE NOT folded AND drive IS NOT NULL;
COMMENT ON TABLE vaneward.condition IS 'State changes as reported: normal, warning, alarm or unavailable';
COMMENT ON COLUMN vaneward.condition.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.condition.source IS 'Source; file: and its checksum for an imported file';
COMMENT ON COLUMN vaneward.condition.instance IS 'Instance of the source';
COMMENT ON COLUMN vaneward.condition.sequence IS 'Sequence within the instance; line of an imported file';
COMMENT ON COLUMN vaneward.condition.received_at IS 'When the collector received it';
COMMENT ON COLUMN vaneward.condition.occurred_at IS 'When it occurred by the equipment''s clock';
COMMENT ON COLUMN vaneward.condition.device IS 'Device that reported it; empty for an imported file';
COMMENT ON COLUMN vaneward.condition.item IS 'Data item that reported it';
COMMENT ON COLUMN vaneward.condition.item_type IS 'Type of the condition by the source''s own standard';
COMMENT ON COLUMN vaneward.condition.state IS 'normal, warning, alarm or unavailable';
COMMENT ON COLUMN vaneward.condition.native_code IS 'The equipment''s own code, as text';
COMMENT ON COLUMN vaneward.condition.condition_id IS 'Identity of the activation, where the source gives one';
COMMENT ON COLUMN vaneward.condition.severity IS 'The equipment''s own severity, as text';
COMMENT ON COLUMN vaneward.condition.qualifier IS 'HIGH or LOW, where given';
COMMENT ON COLUMN vaneward.condition.message IS 'Text that came with it';
COMMENT ON COLUMN vaneward.condition.machine IS 'Machine, by the binding at the time of receipt';
COMMENT ON COLUMN vaneward.condition.drive IS 'Drive, by the binding and the register at the time of receipt; null: not known which drive feeds the axis';
COMMENT ON COLUMN vaneward.condition.axis IS 'Axis, where an axis reported it';
COMMENT ON COLUMN vaneward.condition.folded IS 'Whether the episodes of the drive already take it into account';

CREATE TABLE vaneward.device_event (
    site         vaneward.plant_key NOT NULL,
    source       text NOT NULL,
    instance     text NOT NULL,
    sequence     bigint NOT NULL,
    received_at  timestamptz NOT NULL,
    occurred_at  timestamptz NOT NULL,
    device       text NOT NULL,
    item         text NOT NULL,
    role         text NOT NULL CHECK (role IN ('availability', 'power')),
    value        text,
    PRIMARY KEY (site, source, instance, sequence)
);
CREATE INDEX device_event_device ON vaneward.device_event (site, source, device, role, occurred_at);
COMMENT ON TABLE vaneward.device_event IS 'Availability and power of devices as reported';
COMMENT ON COLUMN vaneward.device_event.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.device_event.source IS 'Source';
COMMENT ON COLUMN vaneward.device_event.instance IS 'Instance of the source';
COMMENT ON COLUMN vaneward.device_event.sequence IS 'Sequence within the instance';
COMMENT ON COLUMN vaneward.device_event.received_at IS 'When the collector received it';
COMMENT ON COLUMN vaneward.device_event.occurred_at IS 'When it occurred by the equipment''s clock';
COMMENT ON COLUMN vaneward.device_event.device IS 'Device';
COMMENT ON COLUMN vaneward.device_event.item IS 'Data item';
COMMENT ON COLUMN vaneward.device_event.role IS 'availability or power';
COMMENT ON COLUMN vaneward.device_event.value IS 'Word as sent: AVAILABLE, ON, OFF; null: unavailable';

CREATE TABLE vaneward.gap (
    site           vaneward.plant_key NOT NULL,
    source         text NOT NULL,
    gap_id         uuid NOT NULL DEFAULT gen_random_uuid(),
    instance       text NOT NULL,
    from_sequence  bigint,
    to_sequence    bigint,
    from_at        timestamptz,
    to_at          timestamptz NOT NULL,
    reason         text NOT NULL CHECK (reason IN ('overrun', 'restart', 'refused')),
    recorded_at    timestamptz NOT NULL,
    PRIMARY KEY (site, source, gap_id)
);
COMMENT ON TABLE vaneward.gap IS 'Spans in which observations were lost or unknown; never filled in';
COMMENT ON COLUMN vaneward.gap.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.gap.source IS 'Source';
COMMENT ON COLUMN vaneward.gap.gap_id IS 'Identity of the row';
COMMENT ON COLUMN vaneward.gap.instance IS 'Instance of the source in which they were lost';
COMMENT ON COLUMN vaneward.gap.from_sequence IS 'First sequence lost; null: not known';
COMMENT ON COLUMN vaneward.gap.to_sequence IS 'First sequence not lost; null: not known';
COMMENT ON COLUMN vaneward.gap.from_at IS 'Beginning of the span; null: not known';
COMMENT ON COLUMN vaneward.gap.to_at IS 'End of the span';
COMMENT ON COLUMN vaneward.gap.reason IS 'overrun: the source''s buffer was too short; restart: the source began anew; refused: an answer could not be read';
COMMENT ON COLUMN vaneward.gap.recorded_at IS 'When the collector noticed';

CREATE TABLE vaneward.set_aside (
    site         vaneward.plant_key NOT NULL,
    source       text NOT NULL,
    aside_id     uuid NOT NULL DEFAULT gen_random_uuid(),
    instance     text NOT NULL,
    sequence     bigint,
    received_at  timestamptz NOT NULL,
    item         text,
    reason       text NOT NULL,
    PRIMARY KEY (site, source, aside_id)
);
COMMENT ON TABLE vaneward.set_aside IS 'Observations that could not be read or used, with the reason';
COMMENT ON COLUMN vaneward.set_aside.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.set_aside.source IS 'Source';
COMMENT ON COLUMN vaneward.set_aside.aside_id IS 'Identity of the row';
COMMENT ON COLUMN vaneward.set_aside.instance IS 'Instance of the source';
COMMENT ON COLUMN vaneward.set_aside.sequence IS 'Sequence; null: not readable';
COMMENT ON COLUMN vaneward.set_aside.received_at IS 'When the collector received it';
COMMENT ON COLUMN vaneward.set_aside.item IS 'Data item; null: not readable';
COMMENT ON COLUMN vaneward.set_aside.reason IS 'What was wrong';

CREATE TABLE vaneward.fan_day (
    site                  vaneward.plant_key NOT NULL,
    fan_no                integer NOT NULL,
    day                   date NOT NULL,
    known_from            timestamptz NOT NULL,
    known_until           timestamptz,
    readings              integer NOT NULL,
    unavailable_readings  integer NOT NULL,
    zero_readings         integer NOT NULL,
    covered_s             integer NOT NULL,
    rpm_median            double precision,
    rpm_mean              double precision,
    rpm_min               double precision,
    rpm_max               double precision,
    rpm_spread            double precision,
    rpm_last              double precision,
    last_at               timestamptz NOT NULL,
    PRIMARY KEY (site, fan_no, day, known_from)
);
COMMENT ON TABLE vaneward.fan_day IS 'Summary of one fan and closed UTC day, from its readings; late readings make a new version';
COMMENT ON COLUMN vaneward.fan_day.site IS 'Site of the fan';
COMMENT ON COLUMN vaneward.fan_day.fan_no IS 'Number of the fan within the site';
COMMENT ON COLUMN vaneward.fan_day.day IS 'UTC day';
COMMENT ON COLUMN vaneward.fan_day.known_from IS 'When the last reading that it uses was received';
COMMENT ON COLUMN vaneward.fan_day.known_until IS 'When a later version took its place; null: this is the newest';
COMMENT ON COLUMN vaneward.fan_day.readings IS 'Readings of the day, the unavailable ones included';
COMMENT ON COLUMN vaneward.fan_day.unavailable_readings IS 'Readings that said: no value';
COMMENT ON COLUMN vaneward.fan_day.zero_readings IS 'Readings of 0 rev/min';
COMMENT ON COLUMN vaneward.fan_day.covered_s IS 'Seconds of the day for which a speed is known (a reading holds until the next one)';
COMMENT ON COLUMN vaneward.fan_day.rpm_median IS 'Time-weighted median of the speeds above 0, in rev/min; null: none';
COMMENT ON COLUMN vaneward.fan_day.rpm_mean IS 'Time-weighted mean of the speeds above 0, in rev/min; null: none';
COMMENT ON COLUMN vaneward.fan_day.rpm_min IS 'Lowest speed above 0, in rev/min; null: none';
COMMENT ON COLUMN vaneward.fan_day.rpm_max IS 'Highest speed, in rev/min; null: none';
COMMENT ON COLUMN vaneward.fan_day.rpm_spread IS '1.4826 times the median absolute deviation of the speeds above 0, in rev/min; null: none';
COMMENT ON COLUMN vaneward.fan_day.rpm_last IS 'Last speed of the day, in rev/min; null: unavailable';
COMMENT ON COLUMN vaneward.fan_day.last_at IS 'Moment of the last reading of the day';

CREATE TABLE vaneward.episode (
    site         vaneward.plant_key NOT NULL,
    drive        vaneward.plant_key NOT NULL,
    fault        text NOT NULL CHECK (fault IN ('fan', 'heat_sink_fan')),
    began_at     timestamptz NOT NULL,
    known_from   timestamptz NOT NULL,
    known_until  timestamptz,
    alarm_at     timestamptz,
    ended_at     timestamptz,
    outcome      text NOT NULL CHECK (outcome IN ('open', 'cleared by itself', 'ended in alarm', 'unannounced')),
    end_seen     boolean NOT NULL,
    reports      integer NOT NULL,
    PRIMARY KEY (site, drive, fault, began_at, known_from)
);
COMMENT ON TABLE vaneward.episode IS 'Fan faults of drives from first warning to all clear, made from the conditions; new knowledge makes a new version';
COMMENT ON COLUMN vaneward.episode.site IS 'Site of the drive';
COMMENT ON COLUMN vaneward.episode.drive IS 'Drive';
COMMENT ON COLUMN vaneward.episode.fault IS 'fan or heat_sink_fan';
COMMENT ON COLUMN vaneward.episode.began_at IS 'First warning or alarm';
COMMENT ON COLUMN vaneward.episode.known_from IS 'When this was known: receipt of the last condition that it uses';
COMMENT ON COLUMN vaneward.episode.known_until IS 'When a later version took its place or it proved not to be one; null: the newest';
COMMENT ON COLUMN vaneward.episode.alarm_at IS 'First alarm; null: none';
COMMENT ON COLUMN vaneward.episode.ended_at IS 'All clear; null: still open';
COMMENT ON COLUMN vaneward.episode.outcome IS 'open, cleared by itself, ended in alarm or unannounced (alarm without a warning before it)';
COMMENT ON COLUMN vaneward.episode.end_seen IS 'Whether the clearing was observed; false: it fell into a time without observations';
COMMENT ON COLUMN vaneward.episode.reports IS 'Warnings and alarms that belong to it, of all axes';

CREATE TABLE vaneward.file_import (
    site         vaneward.plant_key NOT NULL,
    sha256       text NOT NULL,
    path         text NOT NULL,
    imported_at  timestamptz NOT NULL DEFAULT now(),
    rows         bigint NOT NULL,
    PRIMARY KEY (site, sha256)
);
COMMENT ON TABLE vaneward.file_import IS 'Files of readings or conditions that were imported, so that none is imported twice';
COMMENT ON COLUMN vaneward.file_import.site IS 'Site of the fans or drives in the file';
COMMENT ON COLUMN vaneward.file_import.sha256 IS 'SHA-256 of the file, in hexadecimal';
COMMENT ON COLUMN vaneward.file_import.path IS 'Path as given';
COMMENT ON COLUMN vaneward.file_import.imported_at IS 'When';
COMMENT ON COLUMN vaneward.file_import.rows IS 'Rows of the site that it held';
