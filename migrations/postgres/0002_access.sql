-- Who may see and do what: an owner's account is tied to the owner, a token perhaps to one owner or one motorcycle.

alter table membership add column owner_id uuid;

alter table api_token add column owner_id uuid;
alter table api_token add column motorcycle_id uuid;
-- Set on a token that was rotated: it works until then beside the one that takes its place.
alter table api_token add column ends_at bigint;

-- Who entered it, where that was a person: an owner may strike out what he entered himself.
alter table reading add column entered_by uuid;
alter table service_event add column entered_by uuid;
alter table service_event add column at_home boolean not null default false;
-- What stays inside the workshop: no owner sees it, no search for owners looks in it.
alter table service_event add column internal_notes text not null default '';

-- Since when the motorcycle has the owner that it has, where it had another one before: prices from before are not his.
alter table motorcycle add column owned_since bigint;

-- Where a change came from.
alter table audit add column person_id uuid;
alter table audit add column token_id uuid;
alter table audit add column address text;
create index audit_person on audit (workshop_id, person_id, id desc);
create index audit_subject on audit (workshop_id, subject_kind, id desc);
create index attachment_motorcycle on attachment (workshop_id, motorcycle_id, id);
