-- The logins in the roles of ../roles.sql, and the database handed over to its owner; for psql as a superuser.
\getenv migration_password MIGRATION_PASSWORD
\getenv service_password SERVICE_PASSWORD
CREATE ROLE sightledger_migrations LOGIN CREATEDB PASSWORD :'migration_password' IN ROLE sightledger_owner;
CREATE ROLE sightledger_service LOGIN PASSWORD :'service_password' IN ROLE sightledger_writer;
ALTER DATABASE sightledger OWNER TO sightledger_owner;
