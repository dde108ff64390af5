-- A change that comes while figures are computed is not taken for one of those they know.
CREATE SEQUENCE changed_seq;
ALTER TABLE changed ADD COLUMN revision BIGINT;
UPDATE changed SET revision = nextval('changed_seq');
