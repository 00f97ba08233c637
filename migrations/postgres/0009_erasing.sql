-- Who answers for a token: the person who made it, or whose token made it. It goes when they leave.
alter table api_token add column made_by_id uuid;
update api_token set made_by_id = (select audit.person_id from audit where audit.workshop_id = api_token.workshop_id
    and audit.subject_kind = 'token' and audit.action = 'make' and audit.subject_id = api_token.id limit 1);
create index api_token_made_by on api_token (workshop_id, made_by_id);

-- How many people were erased: each is told apart from the others by a number.
alter table workshop add column erased bigint not null default 0;
