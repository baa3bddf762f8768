-- How far past its place the liquid is in a picture, as a person measured it, and how well that is known.
ALTER TABLE shots ADD COLUMN past_um INTEGER NOT NULL DEFAULT 0; -- along the path; short of it is negative
ALTER TABLE shots ADD COLUMN past_sd_um INTEGER NOT NULL DEFAULT 0; -- standard deviation; 0: not measured
