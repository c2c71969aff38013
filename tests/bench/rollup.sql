-- The roll-up of the bench's campaign, counted from its locations.
INSERT INTO completion
    (campaign_id, site_id, type_id, inspections, inspections_complete, locations, complete, omitted, not_inspected,
     reopened, conflict, no_statement, not_applicable, pictures_required, pictures_held)
SELECT campaign_id, site_id, type_id, count(DISTINCT inspection_id), 0,
       count(*) FILTER (WHERE applicable),
       count(*) FILTER (WHERE applicable AND state = 'complete'),
       count(*) FILTER (WHERE applicable AND state = 'omission_authorised'),
       count(*) FILTER (WHERE applicable AND state = 'not_inspected'),
       count(*) FILTER (WHERE applicable AND state = 'reopened'),
       count(*) FILTER (WHERE applicable AND state = 'conflict'),
       count(*) FILTER (WHERE applicable AND state = 'no_statement'),
       count(*) FILTER (WHERE NOT applicable),
       sum(pictures_required) FILTER (WHERE applicable), sum(pictures_held) FILTER (WHERE applicable)
FROM inspection_locations JOIN inspections ON inspections.id = inspection_id
WHERE campaign_id = '00000000-0000-7000-8000-00000000bbbb'
GROUP BY campaign_id, site_id, type_id;
