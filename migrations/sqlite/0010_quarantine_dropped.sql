-- How many rows of quarantine its bounds have dropped.

INSERT INTO counter (name, value) VALUES ('quarantine-dropped', 0); -- rows dropped for age, number or bytes, ever
