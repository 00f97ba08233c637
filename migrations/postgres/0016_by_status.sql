-- What stands open in a large workshop, newest first.
create index follow_up_status on follow_up (workshop_id, status, id);
