-- How many days before a date the workshop wants to hear of what is due by the calendar, where the rule itself doesn't say.
alter table workshop add column lead_days bigint not null default 30;
