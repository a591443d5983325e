-- The register: what the plant knows of its sites, machines, drives, fans, parts and sources.
CREATE SCHEMA IF NOT EXISTS vaneward;
COMMENT ON SCHEMA vaneward IS 'Fan readings, drive states and the register of a fleet of machine tools';

CREATE DOMAIN vaneward.plant_key AS text CHECK (length(VALUE) BETWEEN 1 AND 64);
COMMENT ON DOMAIN vaneward.plant_key IS 'A name that the plant itself uses for a thing, 1 to 64 characters';

CREATE TABLE vaneward.site (
    site              vaneward.plant_key PRIMARY KEY,
    name              text,
    time_zone         text NOT NULL DEFAULT 'UTC',
    paper             text NOT NULL DEFAULT 'A4' CHECK (paper IN ('A4', 'Letter')),
    email             text,
    lockout_procedure text
);
COMMENT ON TABLE vaneward.site IS 'A plant or part of one that keeps its own stock';
COMMENT ON COLUMN vaneward.site.site IS 'Key of the site';
COMMENT ON COLUMN vaneward.site.name IS 'Name for people; null: the key serves';
COMMENT ON COLUMN vaneward.site.time_zone IS 'IANA name; used on paper only, everything stored is UTC';
COMMENT ON COLUMN vaneward.site.paper IS 'Paper of the packs: A4 or Letter';
COMMENT ON COLUMN vaneward.site.email IS 'Address of the maintenance lead';
COMMENT ON COLUMN vaneward.site.lockout_procedure IS 'Number of the site''s own lockout procedure; null: job sheets are not released';

CREATE TABLE vaneward.machine (
    site                vaneward.plant_key NOT NULL REFERENCES vaneward.site,
    machine             vaneward.plant_key NOT NULL UNIQUE,
    name                text,
    location            text,
    controller          text,
    asset_number        text,
    stop_cost_per_hour  numeric(14,2) CHECK (stop_cost_per_hour >= 0),
    currency            text CHECK (currency ~ '^[A-Z]{3}$'),
    stop_hours          numeric(10,2) CHECK (stop_hours >= 0),
    lockout_procedure   text,
    PRIMARY KEY (site, machine)
);
COMMENT ON TABLE vaneward.machine IS 'A machine tool';
COMMENT ON COLUMN vaneward.machine.site IS 'Site where it stands';
COMMENT ON COLUMN vaneward.machine.machine IS 'Key of the machine, unique in the fleet';
COMMENT ON COLUMN vaneward.machine.name IS 'Name for people; null: the key serves';
COMMENT ON COLUMN vaneward.machine.location IS 'Hall, bay or cell in the plant''s own words';
COMMENT ON COLUMN vaneward.machine.controller IS 'Controller family, as in the code map';
COMMENT ON COLUMN vaneward.machine.asset_number IS 'Number in the plant''s asset list';
COMMENT ON COLUMN vaneward.machine.stop_cost_per_hour IS 'Cost of an hour of unplanned stop, in currency; null: not known';
COMMENT ON COLUMN vaneward.machine.currency IS 'ISO 4217 code of stop_cost_per_hour';
COMMENT ON COLUMN vaneward.machine.stop_hours IS 'Usual length of an unplanned stop for a fan, in hours; null: not known';
COMMENT ON COLUMN vaneward.machine.lockout_procedure IS 'Lockout procedure of this machine where it differs from the site''s';

CREATE TABLE vaneward.drive_model (
    drive_model         vaneward.plant_key PRIMARY KEY,
    description         text,
    reports_speed       boolean,
    internal_fans       integer CHECK (internal_fans BETWEEN 0 AND 2),
    warning_to_alarm_s  integer CHECK (warning_to_alarm_s >= 0)
);
COMMENT ON TABLE vaneward.drive_model IS 'A type of servo drive';
COMMENT ON COLUMN vaneward.drive_model.drive_model IS 'Key of the model';
COMMENT ON COLUMN vaneward.drive_model.description IS 'In the plant''s own words';
COMMENT ON COLUMN vaneward.drive_model.reports_speed IS 'Whether it reports the speed of its internal fans; null: not known';
COMMENT ON COLUMN vaneward.drive_model.internal_fans IS 'How many internal fans it has: 0, 1 or 2';
COMMENT ON COLUMN vaneward.drive_model.warning_to_alarm_s IS 'Seconds from an uncleared warning to the alarm; null: not known';

CREATE TABLE vaneward.drive (
    site              vaneward.plant_key NOT NULL,
    drive             vaneward.plant_key NOT NULL UNIQUE,
    machine           vaneward.plant_key NOT NULL,
    drive_model       vaneward.plant_key REFERENCES vaneward.drive_model,
    cabinet_slot      text,
    serial            text,
    waiting_time_min  numeric(6,1) CHECK (waiting_time_min >= 0),
    obstructed        boolean,
    warning_hidden    boolean,
    PRIMARY KEY (site, drive),
    FOREIGN KEY (site, machine) REFERENCES vaneward.machine (site, machine)
);
COMMENT ON TABLE vaneward.drive IS 'A servo drive in the cabinet of a machine';
COMMENT ON COLUMN vaneward.drive.site IS 'Site of its machine';
COMMENT ON COLUMN vaneward.drive.drive IS 'Key of the drive, unique in the fleet';
COMMENT ON COLUMN vaneward.drive.machine IS 'Machine that it belongs to';
COMMENT ON COLUMN vaneward.drive.drive_model IS 'Its type; null: not known';
COMMENT ON COLUMN vaneward.drive.cabinet_slot IS 'Cabinet and place in it, in the plant''s own words';
COMMENT ON COLUMN vaneward.drive.serial IS 'Serial number on its label';
COMMENT ON COLUMN vaneward.drive.waiting_time_min IS 'Minutes to wait after isolation as on the drive''s label; null: not known, never a default';
COMMENT ON COLUMN vaneward.drive.obstructed IS 'Whether something is mounted above it so that the fan does not come out; null: not known';
COMMENT ON COLUMN vaneward.drive.warning_hidden IS 'Whether a machine setting hides the warning; null: not known';

CREATE TABLE vaneward.axis (
    site     vaneward.plant_key NOT NULL,
    axis     vaneward.plant_key NOT NULL UNIQUE,
    machine  vaneward.plant_key NOT NULL,
    drive    vaneward.plant_key,
    PRIMARY KEY (site, axis),
    FOREIGN KEY (site, machine) REFERENCES vaneward.machine (site, machine),
    FOREIGN KEY (site, drive) REFERENCES vaneward.drive (site, drive)
);
COMMENT ON TABLE vaneward.axis IS 'An axis of a machine';
COMMENT ON COLUMN vaneward.axis.site IS 'Site of its machine';
COMMENT ON COLUMN vaneward.axis.axis IS 'Key of the axis, unique in the fleet';
COMMENT ON COLUMN vaneward.axis.machine IS 'Machine that it belongs to';
COMMENT ON COLUMN vaneward.axis.drive IS 'Drive that feeds it; null: not known';

CREATE TABLE vaneward.part (
    part               vaneward.plant_key PRIMARY KEY,
    description        text,
    unit_price         numeric(14,2) CHECK (unit_price >= 0),
    currency           text CHECK (currency ~ '^[A-Z]{3}$'),
    lead_time_days     numeric(8,2) CHECK (lead_time_days >= 0),
    lead_time_sd_days  numeric(8,2) CHECK (lead_time_sd_days >= 0),
    order_multiple     integer CHECK (order_multiple > 0),
    minimum_order      integer CHECK (minimum_order > 0),
    supersedes         vaneward.plant_key,
    last_order_on      date
);
COMMENT ON TABLE vaneward.part IS 'Something that is ordered by its part number';
COMMENT ON COLUMN vaneward.part.part IS 'Part number';
COMMENT ON COLUMN vaneward.part.description IS 'In the plant''s own words';
COMMENT ON COLUMN vaneward.part.unit_price IS 'Price of one, in currency; null: not known';
COMMENT ON COLUMN vaneward.part.currency IS 'ISO 4217 code of unit_price';
COMMENT ON COLUMN vaneward.part.lead_time_days IS 'Days from order to delivery; null: not known';
COMMENT ON COLUMN vaneward.part.lead_time_sd_days IS 'Standard deviation of the lead time, in days';
COMMENT ON COLUMN vaneward.part.order_multiple IS 'Pieces per order step; null: 1';
COMMENT ON COLUMN vaneward.part.minimum_order IS 'Fewest pieces per order; null: 1';
COMMENT ON COLUMN vaneward.part.supersedes IS 'Part that this one replaces';
COMMENT ON COLUMN vaneward.part.last_order_on IS 'Last day on which it can be ordered; null: no end known';

CREATE TABLE vaneward.fan_model (
    fan_model          vaneward.plant_key PRIMARY KEY,
    part               vaneward.plant_key REFERENCES vaneward.part,
    rated_rpm          numeric(9,1) CHECK (rated_rpm > 0),
    warning_rpm        numeric(9,1) CHECK (warning_rpm > 0),
    l10_hours          numeric(9,0) CHECK (l10_hours > 0),
    l10_temperature_c  numeric(5,1)
);
COMMENT ON TABLE vaneward.fan_model IS 'A type of fan';
COMMENT ON COLUMN vaneward.fan_model.fan_model IS 'Key of the model';
COMMENT ON COLUMN vaneward.fan_model.part IS 'Part to order; null: not known';
COMMENT ON COLUMN vaneward.fan_model.rated_rpm IS 'Rated speed in rev/min; null: not known';
COMMENT ON COLUMN vaneward.fan_model.warning_rpm IS 'Speed in rev/min below which the drive warns; null: not known';
COMMENT ON COLUMN vaneward.fan_model.l10_hours IS 'Hours at which a tenth has failed, as published; null: not known';
COMMENT ON COLUMN vaneward.fan_model.l10_temperature_c IS 'Air temperature in degrees Celsius that l10_hours holds for';

CREATE TABLE vaneward.fitment (
    drive_model  vaneward.plant_key NOT NULL REFERENCES vaneward.drive_model,
    position     text NOT NULL CHECK (position IN ('internal-1', 'internal-2', 'heat-sink')),
    fan_model    vaneward.plant_key NOT NULL REFERENCES vaneward.fan_model,
    PRIMARY KEY (drive_model, position, fan_model)
);
COMMENT ON TABLE vaneward.fitment IS 'Which fan models fit which position of which drive model';
COMMENT ON COLUMN vaneward.fitment.drive_model IS 'Drive model';
COMMENT ON COLUMN vaneward.fitment.position IS 'internal-1, internal-2 or heat-sink';
COMMENT ON COLUMN vaneward.fitment.fan_model IS 'Fan model that fits there';

CREATE TABLE vaneward.fan (
    site              vaneward.plant_key NOT NULL,
    drive             vaneward.plant_key NOT NULL,
    position          text NOT NULL CHECK (position IN ('internal-1', 'internal-2', 'heat-sink')),
    fan_no            integer NOT NULL CHECK (fan_no > 0),
    fan_model         vaneward.plant_key REFERENCES vaneward.fan_model,
    installed_on      date,
    hours_at_install  numeric(9,1) CHECK (hours_at_install >= 0),
    PRIMARY KEY (site, drive, position),
    UNIQUE (site, fan_no),
    FOREIGN KEY (site, drive) REFERENCES vaneward.drive (site, drive)
);
COMMENT ON TABLE vaneward.fan IS 'A place for a fan in a drive, with the fan that the register knows there';
COMMENT ON COLUMN vaneward.fan.site IS 'Site of its drive';
COMMENT ON COLUMN vaneward.fan.drive IS 'Drive that it cools';
COMMENT ON COLUMN vaneward.fan.position IS 'internal-1, internal-2 or heat-sink';
COMMENT ON COLUMN vaneward.fan.fan_no IS 'Short number within the site, given by the register load; stands in packed readings';
COMMENT ON COLUMN vaneward.fan.fan_model IS 'Its type; null: not known';
COMMENT ON COLUMN vaneward.fan.installed_on IS 'Day on which it was fitted; a later replacement in work is the newer truth; null: not known';
COMMENT ON COLUMN vaneward.fan.hours_at_install IS 'Hours that it had run when fitted; null: not known, taken as new';

CREATE TABLE vaneward.stock (
    site        vaneward.plant_key NOT NULL REFERENCES vaneward.site,
    part        vaneward.plant_key NOT NULL REFERENCES vaneward.part,
    on_hand     integer NOT NULL DEFAULT 0 CHECK (on_hand >= 0),
    on_order    integer NOT NULL DEFAULT 0 CHECK (on_order >= 0),
    due_on      date,
    counted_on  date,
    PRIMARY KEY (site, part)
);
COMMENT ON TABLE vaneward.stock IS 'What lies on the shelf of a site and what is on its way';
COMMENT ON COLUMN vaneward.stock.site IS 'Site';
COMMENT ON COLUMN vaneward.stock.part IS 'Part';
COMMENT ON COLUMN vaneward.stock.on_hand IS 'Pieces on the shelf';
COMMENT ON COLUMN vaneward.stock.on_order IS 'Pieces ordered and not yet there';
COMMENT ON COLUMN vaneward.stock.due_on IS 'Day on which on_order is expected';
COMMENT ON COLUMN vaneward.stock.counted_on IS 'Day of the count; null: not known';

CREATE TABLE vaneward.source (
    site        vaneward.plant_key NOT NULL REFERENCES vaneward.site,
    source      vaneward.plant_key NOT NULL UNIQUE,
    url         text NOT NULL,
    format      text NOT NULL CHECK (format IN ('mtconnect', 'feed')),
    period_s    integer NOT NULL DEFAULT 60 CHECK (period_s BETWEEN 1 AND 86400),
    credential  text,
    PRIMARY KEY (site, source)
);
COMMENT ON TABLE vaneward.source IS 'An HTTP endpoint that reports one or more machines';
COMMENT ON COLUMN vaneward.source.site IS 'Site whose machines it reports';
COMMENT ON COLUMN vaneward.source.source IS 'Key of the source, unique in the fleet';
COMMENT ON COLUMN vaneward.source.url IS 'Base address; probe, current and sample follow it';
COMMENT ON COLUMN vaneward.source.format IS 'mtconnect or feed';
COMMENT ON COLUMN vaneward.source.period_s IS 'Seconds from one poll to the next';
COMMENT ON COLUMN vaneward.source.credential IS 'Name of a credential that the collector has; never the secret itself';

CREATE TABLE vaneward.binding (
    site      vaneward.plant_key NOT NULL,
    source    vaneward.plant_key NOT NULL,
    device    text NOT NULL,
    item      text NOT NULL,
    role      text NOT NULL CHECK (role IN ('fan_speed', 'drive_condition', 'axis_condition', 'availability', 'power')),
    drive     vaneward.plant_key,
    position  text CHECK (position IN ('internal-1', 'internal-2', 'heat-sink')),
    axis      vaneward.plant_key,
    PRIMARY KEY (site, source, device, item),
    FOREIGN KEY (site, source) REFERENCES vaneward.source (site, source),
    FOREIGN KEY (site, drive, position) REFERENCES vaneward.fan (site, drive, position),
    FOREIGN KEY (site, drive) REFERENCES vaneward.drive (site, drive),
    FOREIGN KEY (site, axis) REFERENCES vaneward.axis (site, axis),
    CHECK (role <> 'fan_speed' OR (drive IS NOT NULL AND position IS NOT NULL)),
    CHECK (role <> 'drive_condition' OR drive IS NOT NULL),
    CHECK (role <> 'axis_condition' OR axis IS NOT NULL)
);
COMMENT ON TABLE vaneward.binding IS 'Which data item of a source is which fan''s speed or which drive''s or axis'' condition';
COMMENT ON COLUMN vaneward.binding.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.binding.source IS 'Source';
COMMENT ON COLUMN vaneward.binding.device IS 'The device''s uuid; its name where the source gives no uuid';
COMMENT ON COLUMN vaneward.binding.item IS 'Identifier of the data item';
COMMENT ON COLUMN vaneward.binding.role IS 'fan_speed, drive_condition, axis_condition, availability or power';
COMMENT ON COLUMN vaneward.binding.drive IS 'Drive, for fan_speed and drive_condition';
COMMENT ON COLUMN vaneward.binding.position IS 'Position of the fan, for fan_speed';
COMMENT ON COLUMN vaneward.binding.axis IS 'Axis, for axis_condition';

CREATE TABLE vaneward.code_map (
    controller   text NOT NULL,
    native_code  text NOT NULL,
    kind         text NOT NULL CHECK (kind IN ('fan_warning', 'fan_alarm', 'heat_sink_fan_alarm', 'builder_fan_message', 'other')),
    PRIMARY KEY (controller, native_code)
);
COMMENT ON TABLE vaneward.code_map IS 'Which native code of which controller family means which kind of fault';
COMMENT ON COLUMN vaneward.code_map.controller IS 'Controller family, as in machine';
COMMENT ON COLUMN vaneward.code_map.native_code IS 'The equipment''s own code, as text';
COMMENT ON COLUMN vaneward.code_map.kind IS 'fan_warning, fan_alarm, heat_sink_fan_alarm, builder_fan_message or other';

CREATE TABLE vaneward.work (
    site         vaneward.plant_key NOT NULL,
    drive        vaneward.plant_key NOT NULL,
    position     text NOT NULL CHECK (position IN ('internal-1', 'internal-2', 'heat-sink')),
    done_at      timestamptz NOT NULL,
    action       text NOT NULL CHECK (action IN ('cleaned', 'reseated', 'replaced', 'housing', 'connector', 'board', 'drive', 'none')),
    reason       text CHECK (reason IN ('alarm', 'warning', 'predicted', 'age', 'opportunity')),
    finding      text CHECK (finding IN ('worn', 'blocked', 'dirty', 'loose', 'connector', 'board', 'none', 'unknown')),
    technician   text,
    rpm_before   numeric(9,1) CHECK (rpm_before >= 0),
    rpm_after    numeric(9,1) CHECK (rpm_after >= 0),
    part         vaneward.plant_key REFERENCES vaneward.part,
    note         text,
    recorded_at  timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (site, drive, position, done_at, action),
    FOREIGN KEY (site, drive, position) REFERENCES vaneward.fan (site, drive, position)
);
COMMENT ON TABLE vaneward.work IS 'What a technician did and found on a fan';
COMMENT ON COLUMN vaneward.work.site IS 'Site of the drive';
COMMENT ON COLUMN vaneward.work.drive IS 'Drive';
COMMENT ON COLUMN vaneward.work.position IS 'Position of the fan';
COMMENT ON COLUMN vaneward.work.done_at IS 'When it was done';
COMMENT ON COLUMN vaneward.work.action IS 'cleaned, reseated, replaced, housing, connector, board, drive or none';
COMMENT ON COLUMN vaneward.work.reason IS 'Why the fan was looked at: alarm, warning, predicted, age or opportunity';
COMMENT ON COLUMN vaneward.work.finding IS 'worn, blocked, dirty, loose, connector, board, none or unknown';
COMMENT ON COLUMN vaneward.work.technician IS 'Who did it';
COMMENT ON COLUMN vaneward.work.rpm_before IS 'Speed before, in rev/min';
COMMENT ON COLUMN vaneward.work.rpm_after IS 'Speed after, in rev/min';
COMMENT ON COLUMN vaneward.work.part IS 'Part that was fitted';
COMMENT ON COLUMN vaneward.work.note IS 'Free text';
COMMENT ON COLUMN vaneward.work.recorded_at IS 'When it was entered here';
