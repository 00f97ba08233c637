//! The tenant boundary, looked for in the schema and in every statement: each key and each filter has `workshop_id` in it, so that no workshop
//! can reach another's rows, and so that the database can be spread over machines by it. What has not stands here, with the reason.
use std::{
    collections::{BTreeMap, BTreeSet},
    path::{Path, PathBuf},
};

use witnessmark::store::Store;

use crate::harness::{Engine, database::empty};

/// Tables that belong to no workshop. On a distributed engine they are small tables that every machine has, or are found by their own key.
const OF_NO_WORKSHOP: &[(&str, &str)] = &[
    ("workshop", "is the tenant itself: its key is workshop_id"),
    ("person", "a person may have roles in several workshops"),
    ("session", "belongs to a person, who goes from one of his workshops to another in it; found by the hash of its secret"),
    ("reset_link", "belongs to a person; found by the hash of its secret"),
    ("sign_in_step", "belongs to a person who is not yet signed in anywhere"),
    ("email_change", "belongs to a person"),
    ("second_factor", "belongs to a person"),
    ("recovery_code", "belongs to a person"),
    ("throttle", "counts guesses before it is known who guesses"),
];
/// Keys of tenants' tables without `workshop_id`.
const KEYS: &[(&str, &str)] = &[
    ("api_token unique (token_hash)", SECRET),
    ("calendar unique (secret_hash)", SECRET),
    ("invitation unique (secret_hash)", SECRET),
    ("offer unique (secret_hash)", SECRET),
    ("report_recipient unique (secret)", SECRET),
    ("membership foreign (person_id) to person", "a person belongs to no workshop"),
];
const SECRET: &str = "whoever comes with a secret says nothing else: the workshop is found by it, once for each request. Spread over machines \
                      it takes a table of its own from hash to workshop";

/// Statements on tenants' tables that do not filter by `workshop_id`, by how they begin.
const STATEMENTS: &[(&str, &str)] = &[
    (
        "update membership set name = $2 where person_id = $1",
        "a person is called the same in each of his workshops once he says so himself",
    ),
    ("select workshop_id from membership where person_id = $1", "which workshops a person has: asked when he signs in"),
    (
        "select workshop_id, name from membership where person_id = $1",
        "which workshops a person has, and how he is called there: asked when he signs in",
    ),
    ("select count(*) from membership where person_id = $1", "an account goes when its last workshop erases the person"),
    ("delete from {table} where person_id = $1", "the tables of an account, which is of no workshop"),
    ("select (select count(*) from letter where status = $1)", "a monitoring system is told of the whole server"),
    ("select person_id, workshop_id from reset_link", "a manager's link is good only while the person is in no other workshop"),
    ("select workshop_id, id from letter where status = $1", "a sender sends the letters of all workshops"),
    ("select count(*), coalesce(sum(case when claimed_until >= $2", "a sender says how many letters of all workshops wait"),
    ("with waiting as ( select workshop_id, id, webhook_id, next_try_at,", "a sender sends the webhooks of all workshops"),
    ("select workshop_id, id, told_on from webhook", "once a day all workshops' webhooks are told what came due by the calendar"),
    ("select workshop_id, id, email, name, roles, owner_id, cast(null as bigint) as joined_at", SECRET),
    ("select workshop_id, id, owner_id, address, secret, since, stopped_at from report_recipient where secret = $1", SECRET),
    ("where secret_hash = $1 and deleted_at is null", SECRET),
    ("where offer.secret_hash = $1", SECRET),
    ("where token_hash = $1 and revoked_at is null", SECRET),
    ("select count(*) from (select 1 as one from {} limit 1) found", "a move looks whether a database is empty"),
    ("select {} from {} order by {}", "a move reads a whole database"),
    ("insert into {} ({}) values {}", "a move fills a whole database"),
];

/// A key as one line: `table unique (a, b)`, `table foreign (a, b) to other`.
type Keys = BTreeSet<String>;

const SQLITE_KEYS: &str = "
    select t.name || ' ' || case i.origin when 'pk' then 'primary' else 'unique' end || ' ('
        || (select group_concat(name, ', ') from (select name from pragma_index_info(i.name) order by seqno)) || ')'
    from sqlite_schema t, pragma_index_list(t.name) i where t.type = 'table' and i.\"unique\" = 1
    union
    select t.name || ' foreign (' || (select group_concat(\"from\", ', ') from (select \"from\" from pragma_foreign_key_list(t.name)
        where id = f.id order by seq)) || ') to ' || f.\"table\"
    from sqlite_schema t, pragma_foreign_key_list(t.name) f where t.type = 'table'";
const POSTGRES_KEYS: &str = "
    select t.relname || ' ' || case when i.indisprimary then 'primary' else 'unique' end || ' ('
        || (select string_agg(a.attname, ', ' order by k.place) from unnest(i.indkey) with ordinality k (number, place)
            join pg_attribute a on a.attrelid = t.oid and a.attnum = k.number) || ')'
    from pg_index i join pg_class t on t.oid = i.indrelid where i.indisunique and t.relnamespace = 'public'::regnamespace
    union
    select t.relname || ' foreign (' || (select string_agg(a.attname, ', ' order by k.place) from unnest(c.conkey) with ordinality k (number, place)
            join pg_attribute a on a.attrelid = t.oid and a.attnum = k.number) || ') to ' || f.relname
    from pg_constraint c join pg_class t on t.oid = c.conrelid join pg_class f on f.oid = c.confrelid where c.contype = 'f'";
const SQLITE_TABLES: &str = "
    select t.name, max(case when c.name = 'workshop_id' then c.\"notnull\" else 0 end) from sqlite_schema t, pragma_table_info(t.name) c
    where t.type = 'table' and t.name not like 'sqlite!_%' escape '!' group by t.name";
const POSTGRES_TABLES: &str = "
    select table_name::text, max(case when column_name = 'workshop_id' and is_nullable = 'NO' then 1 else 0 end)::bigint
    from information_schema.columns where table_schema = 'public' group by table_name";

/// Every table with whether each of its rows has a workshop, and every key.
async fn schema(engine: Engine) -> (BTreeMap<String, bool>, Keys) {
    let database = empty(engine).await;
    let store = Store::open(&database.url).await.unwrap();
    let (tables, keys): (Vec<(String, i64)>, Vec<String>) = match &store {
        Store::Sqlite { read, .. } => {
            (sqlx::query_as(SQLITE_TABLES).fetch_all(read).await.unwrap(), sqlx::query_scalar(SQLITE_KEYS).fetch_all(read).await.unwrap())
        }
        Store::Postgres(pool) => (
            sqlx::query_as(POSTGRES_TABLES).fetch_all(pool).await.unwrap(),
            sqlx::query_scalar(POSTGRES_KEYS).fetch_all(pool).await.unwrap(),
        ),
    };
    store.close().await;
    database.remove().await;
    // The index of words is each engine's own, and made again from the other tables.
    let ours = |name: &str| !name.starts_with("_sqlx_migrations") && !name.starts_with("search_");
    let tables = tables.into_iter().filter(|table| ours(&table.0)).map(|(name, of_workshop)| (name, of_workshop == 1)).collect();
    (tables, keys.into_iter().filter(|key| ours(key)).collect())
}
fn reason<'a>(list: &'a [(&str, &str)], what: &str) -> Option<&'a str> {
    list.iter().find(|entry| entry.0 == what).map(|entry| entry.1)
}

#[tokio::test]
async fn every_key_has_the_workshop_in_it() {
    let (tables, keys) = schema(Engine::Sqlite).await;
    assert_eq!((&tables, &keys), (&schema(Engine::Postgres).await.0, &schema(Engine::Postgres).await.1), "both engines have the same");
    assert!(tables.len() > 40 && keys.len() > 80, "{} tables, {} keys", tables.len(), keys.len());
    for (name, of_workshop) in &tables {
        assert!(*of_workshop || reason(OF_NO_WORKSHOP, name).is_some(), "{name} has no workshop_id that must be there, and no reason");
        assert!(keys.iter().any(|key| key.starts_with(&format!("{name} primary ("))), "{name} has no primary key");
    }
    let (mut wrong, mut used) = (Vec::new(), BTreeSet::new());
    for key in &keys {
        let (table, rest) = key.split_once(' ').unwrap();
        let columns = rest.split(['(', ')']).nth(1).unwrap();
        if reason(OF_NO_WORKSHOP, table).is_some() || columns.split(", ").any(|column| column == "workshop_id") {
            continue;
        }
        match reason(KEYS, key) {
            Some(_) => drop(used.insert(key.as_str())),
            None => wrong.push(key),
        }
    }
    assert!(wrong.is_empty(), "keys of a tenant's table without workshop_id, and without a reason: {wrong:#?}");
    assert_eq!(used.len(), KEYS.len(), "a reason for a key that is gone: {used:?}");
    assert!(OF_NO_WORKSHOP.iter().all(|entry| tables.contains_key(entry.0)), "a reason for a table that is gone");
}

/// The string literals of a Rust file up to its tests, with line breaks and runs of spaces as one space.
fn literals(source: &str) -> Vec<String> {
    let source = source.split("#[cfg(test)]").next().unwrap_or_default();
    let (mut found, mut rest) = (Vec::new(), source);
    while let Some(place) = rest.find(['"', '\'', '/']) {
        rest = &rest[place..];
        if rest.starts_with("//") {
            rest = rest.find('\n').map_or("", |end| &rest[end..]);
        } else if rest.starts_with("'\"'") || rest.starts_with("'\\") {
            // A character, perhaps a quotation mark.
            rest = rest.get(3..).unwrap_or_default();
        } else if let Some(inside) = rest.strip_prefix('"') {
            let (mut text, mut letters, mut end) = (String::new(), inside.char_indices(), inside.len());
            while let Some((place, letter)) = letters.next() {
                match letter {
                    '"' => {
                        end = place + 1;
                        break;
                    }
                    '\\' => text.extend(letters.next().map(|(_, letter)| if letter == 'n' { ' ' } else { letter })),
                    letter => text.push(letter),
                }
            }
            found.push(text.split_whitespace().collect::<Vec<_>>().join(" "));
            rest = &inside[end..];
        } else {
            rest = &rest[1..];
        }
    }
    found
}
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
        if entry.is_dir() {
            files.extend(sources(&entry));
        } else if entry.extension().is_some_and(|ending| ending == "rs") {
            files.push(entry);
        }
    }
    files.sort();
    files
}
fn begins_as_sql(text: &str) -> bool {
    ["select ", "insert into ", "delete from ", "update "].iter().any(|start| text.starts_with(start))
}

/// How often a statement names a table of a tenant that is to be narrowed down, and how often it does so by the workshop. A row that is inserted
/// names its workshop first, or anywhere among its columns.
fn counts(sql: &str, tenants: &BTreeSet<&str>) -> (usize, usize) {
    let words: Vec<_> = sql.split(' ').collect();
    let bare = |word: &str| word.trim_matches(|letter: char| !(letter.is_alphanumeric() || "_{}.".contains(letter))).to_owned();
    let mut named = 0;
    for pair in words.windows(2) {
        let table = bare(pair[1]);
        let verb = bare(pair[0]);
        if matches!(verb.as_str(), "from" | "join" | "update" | "into") && (tenants.contains(table.as_str()) || table.starts_with('{')) {
            named += 1;
        }
    }
    let compared = |pair: &[&str]| {
        let column = |word: &str| bare(word).split('.').next_back() == Some("workshop_id");
        usize::from(column(pair[0]) && pair[1] == "=")
    };
    let by_list = sql.matches("using (workshop_id").count() + sql.matches("(workshop_id, id) in").count();
    let inserted = sql.starts_with("insert into ")
        && sql.split(['(', ')']).nth(1).is_some_and(|columns| columns.split(", ").any(|column| column == "workshop_id"));
    (named, words.windows(2).map(compared).sum::<usize>() + by_list + usize::from(inserted))
}

#[tokio::test]
async fn every_statement_filters_by_the_workshop() {
    let (tables, _) = schema(Engine::Sqlite).await;
    let tenants: BTreeSet<_> = tables.keys().map(String::as_str).filter(|name| reason(OF_NO_WORKSHOP, name).is_none()).collect();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let (mut wrong, mut used, mut seen) = (Vec::new(), BTreeSet::new(), 0);
    for file in sources(&source) {
        let in_store = file.strip_prefix(&source).unwrap().starts_with("store");
        let literals = literals(&std::fs::read_to_string(&file).unwrap());
        if !in_store {
            let sql =
                |text: &&String| begins_as_sql(text) && (text.contains(" from ") || text.contains(" set ") || text.contains(" values "));
            assert_eq!(literals.iter().find(sql), None, "SQL outside of the store: {}", file.display());
            continue;
        }
        // A file may keep the head of a select in a macro; the tails that follow it begin with "where" and are held to it too.
        let has_tails = literals.iter().any(|text| text.starts_with("where "));
        let is_head = |text: &str| {
            let (named, compared) = counts(text, &tenants);
            has_tails && text.starts_with("select ") && !text.contains(" where ") && compared < named
        };
        let has_head = literals.iter().any(|text| is_head(text));
        for text in &literals {
            let (named, compared) = counts(text, &tenants);
            let is_tail = has_head && text.starts_with("where ");
            let needed = named + usize::from(is_tail) - usize::from(is_head(text));
            if named == 0 && !is_tail {
                continue;
            }
            seen += 1;
            if compared >= needed {
                continue;
            }
            match STATEMENTS.iter().find(|entry| text.starts_with(entry.0)) {
                Some(entry) => drop(used.insert(entry.0)),
                None => wrong.push(format!("{}: {text}", file.file_name().unwrap().to_string_lossy())),
            }
        }
    }
    assert!(seen > 200, "only {seen} statements were found");
    assert!(wrong.is_empty(), "statements that do not filter by workshop_id, and have no reason: {wrong:#?}");
    let idle: Vec<_> = STATEMENTS.iter().map(|entry| entry.0).filter(|start| !used.contains(start)).collect();
    assert!(idle.is_empty(), "reasons for statements that are gone, or filter: {idle:#?}");
}

/// What a merge leaves behind in a file shows on a page, and no compiler sees it there.
#[test]
fn no_file_has_the_marks_of_a_merge() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders: Vec<_> = ["src", "templates", "migrations", "demo", "tests"].map(|folder| root.join(folder)).into();
    let mut files: Vec<_> = ["README.md", "DEVELOPERS.md", "Cargo.toml", "docker-compose.yml"].map(|file| root.join(file)).into();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            if entry.is_dir() { folders.push(entry) } else { files.push(entry) }
        }
    }
    let marked = |file: &PathBuf| {
        let text = String::from_utf8_lossy(&std::fs::read(file).unwrap()).into_owned();
        text.lines().any(|line| ["<<<<<<< ", ">>>>>>> "].iter().any(|mark| line.starts_with(mark)))
    };
    let found: Vec<_> = files.iter().filter(|file| marked(file)).collect();
    assert!(files.len() > 500, "only {} files were found", files.len());
    assert!(found.is_empty(), "a merge was not finished in {found:?}");
}

#[test]
fn the_walk_sees_what_is_missing() {
    let tenants = BTreeSet::from(["reading", "motorcycle"]);
    let counted = |sql: &str| counts(sql, &tenants);
    assert_eq!(counted("select id from reading where id = $1"), (1, 0));
    assert_eq!(counted("select id from reading where workshop_id = $1"), (1, 1));
    assert_eq!(counted("select 1 from reading r join motorcycle m on m.id = r.motorcycle_id where r.workshop_id = $1"), (2, 1));
    assert_eq!(counted("insert into reading (id, workshop_id) values ($1, $2)"), (1, 1));
    assert_eq!(counted("insert into reading (id) values ($1)"), (1, 0));
    assert_eq!(counted("select workshop_id, id from person"), (0, 0));
    assert_eq!(counted("delete from {table} where id = $1"), (1, 0), "a table that is filled in may be any");
    let source = "// \"a comment\"\nlet a = \"one\\\n   two\"; let b = '\"'; let c: &'static str = \"three\";\n#[cfg(test)] \"four\"";
    assert_eq!(literals(source), ["one two", "three"]);
}
