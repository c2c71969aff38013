-- An invented fleet of the size the benches ask for, written straight into the tables.
-- Parameters: units, locations (per unit), images (in all; spread evenly over the units, at most 1,000 of them).
SET synchronous_commit = off;

CREATE TEMP TABLE made_unit AS
SELECT n, gen_random_uuid() AS unit_id, gen_random_uuid() AS inspection_id, gen_random_uuid() AS binding_id,
       (SELECT id FROM sites ORDER BY code LIMIT 1 OFFSET n % 5) AS site_id
FROM generate_series(1, :units) n;

INSERT INTO units (id, serial, type_id, build_id, site_id, position, created_at, invented)
SELECT unit_id, 'BENCH-' || n, build.type_id, build.id, made_unit.site_id, 'B-' || n, now(), true
FROM made_unit, (SELECT id, type_id FROM builds WHERE code = 'KG3A') build;

INSERT INTO campaigns (id, name, plan_id, opens, closes, version, created_at, created_by)
SELECT '00000000-0000-7000-8000-00000000bbbb', 'Bench', plans.id, '2026-01-01', '2026-12-31', 1, now(), accounts.id
FROM plans, accounts WHERE plans.code = 'VIP-KG3-P' AND accounts.login = 'idowu';

CREATE TEMP TABLE bound_revision AS
SELECT plan_revisions.id FROM plan_revisions JOIN plans ON plans.id = plan_id
WHERE plans.code = 'VIP-KG3-P' AND label = 'B';

INSERT INTO inspections (id, campaign_id, unit_id, site_id, type_id, revision_id, version, created_at)
SELECT inspection_id, '00000000-0000-7000-8000-00000000bbbb', unit_id, made_unit.site_id, units.type_id,
       bound_revision.id, 1, now()
FROM made_unit JOIN units ON units.id = unit_id, bound_revision;

INSERT INTO inspection_locations
    (inspection_id, location_key, ordinal, bound, applicable, mandatory, pictures_required, pictures_held, state, heads)
SELECT inspection_id, 'L.' || l, l, true, l % 10 <> 0, true, 4, (n + l) % 5,
       (ARRAY['complete', 'no_statement', 'not_inspected', 'omission_authorised', 'conflict'])[1 + (n * 7 + l) % 5], '{}'
FROM made_unit, generate_series(1, :locations) l;

CREATE TEMP TABLE made_image AS
SELECT i, encode(sha256(i::text::bytea), 'hex') AS digest, gen_random_uuid() AS sighting_id,
       gen_random_uuid() AS placement_id,
       1 + i % least(:units, 1000) AS n, timestamptz '2026-10-20 08:00Z' + i * interval '1 second' AS at
FROM generate_series(1, :images) i;

INSERT INTO card_returns (id, site_id, agent_id, profile, opening, started_at, opened_at, committed_at, complete)
SELECT '00000000-0000-7000-8000-00000000cccc', agents.site_id, agents.id, 'two-level', '{}', now(), now(), now(), true
FROM agents LIMIT 1;

INSERT INTO images (digest, size, site, verified_at, looked_at, format, width, height, exif, marks)
SELECT digest, 80000, code, now(), now(), 'JPEG', 640, 480, '{"DateTimeOriginal": "2026:10:20 08:00:00"}', '{}'
FROM made_image, card_returns JOIN sites ON sites.id = site_id
WHERE card_returns.id = '00000000-0000-7000-8000-00000000cccc';

INSERT INTO sightings
    (id, card_return_id, ordinal, digest, path, path_bytes, read_at, received_at, kind, marks, format, width, height,
     exif, taken_at, taken_basis)
SELECT sighting_id, '00000000-0000-7000-8000-00000000cccc', i, digest, 'L/' || i || '.JPG', 'x', now(), now(),
       'still', '{}', 'JPEG', 640, 480, '{"DateTimeOriginal": "2026:10:20 08:00:00"}', at, 'exif'
FROM made_image;

INSERT INTO placements
    (id, sighting_id, inspection_id, location_key, evaluation, rule, confidence, by_name, revision_id, recorded_at,
     replaces)
SELECT placement_id, sighting_id, inspection_id, 'L.' || 1 + i % 50, 'nothing_recordable', 'folder', 1, 'bench-1',
       bound_revision.id, now(), '{}'
FROM made_image JOIN made_unit USING (n), bound_revision;

INSERT INTO unit_images
    (id, unit_id, inspection_id, digest, location_key, element, evaluation, first_sighting_id, placement_id, sightings,
     counted, taken_at, taken_basis)
SELECT gen_random_uuid(), unit_id, inspection_id, digest, 'L.' || 1 + i % 50, 0, 'nothing_recordable', sighting_id,
       placement_id, 1, true, at, 'exif'
FROM made_image JOIN made_unit USING (n);

ANALYZE;
