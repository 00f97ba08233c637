-- Who answers for a token that another token made or rotated before 0009: whoever answers for that other one.
with recursive made (workshop_id, id, made_by_id) as (
    select workshop_id, id, made_by_id from api_token where made_by_id is not null
    union
    select audit.workshop_id, audit.subject_id, made.made_by_id from made
    join audit on audit.workshop_id = made.workshop_id and audit.token_id = made.id
    where audit.subject_kind = 'token' and audit.action = 'make'
)
update api_token set made_by_id = (select made.made_by_id from made where made.workshop_id = api_token.workshop_id and made.id = api_token.id limit 1)
where made_by_id is null;
