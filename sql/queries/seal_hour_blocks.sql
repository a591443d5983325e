-- Stores hour blocks.
COPY vaneward.reading_hour (site, fan_no, starts_at, received_at, readings, data) FROM STDIN;
