-- The roles by which the database keeps the record, for psql as a superuser; again changes nothing.
-- None of them logs in: each login of yours is granted one of them.
DO $$
DECLARE
    wanted text;
BEGIN
    FOREACH wanted IN ARRAY ARRAY['sightledger_owner', 'sightledger_writer', 'sightledger_reader'] LOOP
        IF to_regrole(wanted) IS NULL THEN
            EXECUTE format('CREATE ROLE %I NOLOGIN', wanted);
        END IF;
    END LOOP;
END
$$;
