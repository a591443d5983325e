-- Stores summaries of days.
COPY vaneward.fan_day (site, fan_no, day, known_from, readings, unavailable_readings, zero_readings, covered_s,
                       rpm_median, rpm_mean, rpm_min, rpm_max, rpm_spread, rpm_last, last_at) FROM STDIN;
