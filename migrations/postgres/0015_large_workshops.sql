-- What a large workshop asks for without walking a whole table: events in which something single-use was noted, single-use parts, what an
-- event settled, and what names a reading.
create index service_event_single_use on service_event (workshop_id, id) where struck_at is null and body like '%"single_use_was":"re%';
create index installed_part_single_use on installed_part (workshop_id, id) where single_use;
create index follow_up_done on follow_up (workshop_id, done_in);
create index fitting_fitted_reading on fitting (workshop_id, fitted_reading_id);
create index fitting_removed_reading on fitting (workshop_id, removed_reading_id);
create index measured_value_reading on measured_value (workshop_id, reading_id);
