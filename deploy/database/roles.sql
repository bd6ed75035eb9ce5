-- The roles and the database of docker-compose.yml, as the embedded server has them. PostgreSQL's image runs this once, as the superuser
-- underweir_admin, on a server that is empty.
\set owner_password `cat /run/secrets/database_owner_password`
\set everyday_password `cat /run/secrets/database_everyday_password`
-- Owns the tables and brings them up to date.
CREATE ROLE underweir_owner LOGIN PASSWORD :'owner_password';
-- Works with them every day; the service lets it in when it makes them.
CREATE ROLE underweir LOGIN PASSWORD :'everyday_password';
GRANT pg_read_all_stats TO underweir;
CREATE DATABASE underweir OWNER underweir_owner;
