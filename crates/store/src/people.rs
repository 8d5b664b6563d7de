//! People: accounts, their sessions, tokens and recovery codes, and how often somebody guessed wrong.
//!
//! Contract: no secret stands here but the seed of the one-time codes, which the station must be able to compute with; passwords, session
//! cookies, tokens and recovery codes are kept as hashes. Every question is answered for a given time, nothing reads a clock. Functions
//! take the connection that the caller has: writing ones the writer's, so they are part of its transaction.

use rusqlite::{Connection, OptionalExtension as _, Result, Row, params};

/// Steps of these tables, oldest first.
pub(crate) const MIGRATIONS: &[&str] = &["
create table accounts (
    id integer primary key autoincrement,
    name text not null unique collate nocase,
    role text not null check (role in ('viewer', 'operator', 'owner')),
    password_hash text not null,
    totp_seed blob,
    totp_pending blob,
    totp_last_step integer not null default 0,
    made integer not null
) strict;

create table recovery_codes (
    id integer primary key,
    account integer not null references accounts (id) on delete cascade,
    hash blob not null,
    unique (account, hash)
) strict;

create table sessions (
    id integer primary key autoincrement,
    hash blob not null unique,
    account integer not null references accounts (id) on delete cascade,
    begun integer not null,
    seen integer not null,
    address text not null,
    device text not null
) strict;

create table tokens (
    id integer primary key autoincrement,
    hash blob not null unique,
    account integer not null references accounts (id) on delete cascade,
    name text not null,
    scopes text not null,
    made integer not null,
    ends integer not null,
    used integer
) strict;

create table wrong_guesses (
    id integer primary key,
    who text not null unique,
    n integer not null,
    last integer not null
) strict;
"];

/// What somebody may do. Each may do what those before it may.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Role {
    /// Sees.
    Viewer,
    /// Acts: hand, procedures, resets, alarms, notes.
    Operator,
    /// Decides who may.
    Owner,
}

impl Role {
    /// The word in the store and in the API.
    pub fn word(self) -> &'static str {
        match self {
            Role::Viewer => "viewer",
            Role::Operator => "operator",
            Role::Owner => "owner",
        }
    }

    /// From its word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Role::Viewer, Role::Operator, Role::Owner].into_iter().find(|role| role.word() == word)
    }
}

/// An account.
#[derive(Clone, PartialEq, Eq)]
pub struct Account {
    /// Its number.
    pub id: i64,
    /// Its name; capitals do not matter in comparing.
    pub name: String,
    /// What it may do.
    pub role: Role,
    /// PHC string of the password.
    pub password_hash: String,
    /// Seed of the one-time codes, once they are confirmed.
    pub totp_seed: Option<Vec<u8>>,
    /// Seed that waits for its first code.
    pub totp_pending: Option<Vec<u8>>,
    /// Step of the last one-time code taken.
    pub totp_last_step: u64,
    /// When it was made, ms since 1970.
    pub created_ms: i64,
}

impl std::fmt::Debug for Account {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Account")
            .field("id", &self.id)
            .field("name", &self.name)
            .field("role", &self.role)
            .finish_non_exhaustive()
    }
}

const ACCOUNT: &str = "id, name, role, password_hash, totp_seed, totp_pending, totp_last_step, made";

fn account_of(row: &Row<'_>) -> Result<Account> {
    let role: String = row.get(2)?;
    Ok(Account {
        id: row.get(0)?,
        name: row.get(1)?,
        // The column's CHECK lets no other word in; the least of roles is what is left.
        role: Role::from_word(&role).unwrap_or(Role::Viewer),
        password_hash: row.get(3)?,
        totp_seed: row.get(4)?,
        totp_pending: row.get(5)?,
        totp_last_step: row.get::<_, i64>(6)?.max(0).cast_unsigned(),
        created_ms: row.get(7)?,
    })
}

/// Makes an account; `None` when the name is taken.
pub fn add_account(
    db: &Connection,
    name: &str,
    role: Role,
    password_hash: &str,
    now_ms: i64,
) -> Result<Option<i64>> {
    let n = db.execute(
        "insert into accounts (name, role, password_hash, made) values (?1, ?2, ?3, ?4)
         on conflict (name) do nothing",
        params![name, role.word(), password_hash, now_ms],
    )?;
    Ok((n == 1).then(|| db.last_insert_rowid()))
}

/// Makes the first owner; `None` when there is an owner. One statement, so two who try at once cannot both be it.
pub fn add_first_owner(db: &Connection, name: &str, password_hash: &str, now_ms: i64) -> Result<Option<i64>> {
    let n = db.execute(
        "insert into accounts (name, role, password_hash, made)
         select ?1, 'owner', ?2, ?3 where not exists (select 1 from accounts where role = 'owner')
         on conflict (name) do nothing",
        params![name, password_hash, now_ms],
    )?;
    Ok((n == 1).then(|| db.last_insert_rowid()))
}

/// An account by its name.
pub fn account_named(db: &Connection, name: &str) -> Result<Option<Account>> {
    db.prepare_cached(&format!("select {ACCOUNT} from accounts where name = ?1"))?
        .query_row([name], account_of)
        .optional()
}

/// An account by its number.
pub fn account(db: &Connection, id: i64) -> Result<Option<Account>> {
    db.prepare_cached(&format!("select {ACCOUNT} from accounts where id = ?1"))?
        .query_row([id], account_of)
        .optional()
}

/// All accounts by name.
pub fn accounts(db: &Connection) -> Result<Vec<Account>> {
    db.prepare_cached(&format!("select {ACCOUNT} from accounts order by name"))?
        .query_map([], account_of)?
        .collect()
}

/// How many owners there are.
pub fn n_owners(db: &Connection) -> Result<i64> {
    db.query_row("select count(*) from accounts where role = 'owner'", [], |row| row.get(0))
}

/// Takes an account away with its sessions, tokens and codes. False: there is none, or it is the last owner.
pub fn remove_account(db: &Connection, id: i64) -> Result<bool> {
    let n = db.execute(
        "delete from accounts where id = ?1
         and (role <> 'owner' or (select count(*) from accounts where role = 'owner') > 1)",
        [id],
    )?;
    Ok(n == 1)
}

/// Gives an account another role. False: there is none, or it is the last owner.
pub fn set_role(db: &Connection, id: i64, role: Role) -> Result<bool> {
    let n = db.execute(
        "update accounts set role = ?2 where id = ?1
         and (role <> 'owner' or ?2 = 'owner' or (select count(*) from accounts where role = 'owner') > 1)",
        params![id, role.word()],
    )?;
    Ok(n == 1)
}

/// Another password; every session of the account but `keep` ends.
pub fn set_password(db: &Connection, id: i64, password_hash: &str, keep: Option<i64>) -> Result<()> {
    db.execute("update accounts set password_hash = ?2 where id = ?1", params![id, password_hash])?;
    end_sessions(db, id, keep)
}

/// Ends every session of an account but `keep`.
pub fn end_sessions(db: &Connection, account: i64, keep: Option<i64>) -> Result<()> {
    db.execute("delete from sessions where account = ?1 and id is not ?2", params![account, keep])?;
    Ok(())
}

/// A seed that waits for its first code.
pub fn set_pending_seed(db: &Connection, id: i64, seed: &[u8]) -> Result<()> {
    db.execute("update accounts set totp_pending = ?2 where id = ?1", params![id, seed])?;
    Ok(())
}

/// The waiting seed counts from now on; `step` is that of the code which proved it. Recovery codes are replaced by these hashes.
pub fn confirm_seed(db: &Connection, id: i64, step: u64, recovery: &[[u8; 32]]) -> Result<()> {
    db.execute(
        "update accounts set totp_seed = totp_pending, totp_pending = null, totp_last_step = ?2
         where id = ?1 and totp_pending is not null",
        params![id, step.cast_signed()],
    )?;
    db.execute("delete from recovery_codes where account = ?1", [id])?;
    for hash in recovery {
        db.execute("insert into recovery_codes (account, hash) values (?1, ?2)", params![id, hash])?;
    }
    Ok(())
}

/// No one-time codes any more.
pub fn drop_seed(db: &Connection, id: i64) -> Result<()> {
    db.execute("update accounts set totp_seed = null, totp_pending = null where id = ?1", [id])?;
    db.execute("delete from recovery_codes where account = ?1", [id])?;
    Ok(())
}

/// Notes that the code of a step was taken. False: that step or a later one was taken before, so the code does not count.
pub fn take_step(db: &Connection, id: i64, step: u64) -> Result<bool> {
    let step = step.cast_signed();
    Ok(db.execute(
        "update accounts set totp_last_step = ?2 where id = ?1 and totp_last_step < ?2",
        params![id, step],
    )? == 1)
}

/// Uses a recovery code up. False: it is none, or was used.
pub fn take_recovery_code(db: &Connection, id: i64, hash: &[u8; 32]) -> Result<bool> {
    Ok(db.execute("delete from recovery_codes where account = ?1 and hash = ?2", params![id, hash])? == 1)
}

/// Recovery codes left.
pub fn n_recovery_codes(db: &Connection, id: i64) -> Result<i64> {
    db.query_row("select count(*) from recovery_codes where account = ?1", [id], |row| row.get(0))
}

/// How long sessions live.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SessionLife {
    /// Without a request, ms.
    pub idle_ms: i64,
    /// In all, ms.
    pub longest_ms: i64,
}

/// A session that was begun.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Session {
    /// Its number.
    pub id: i64,
    /// Whose.
    pub account: i64,
    /// Since when, ms since 1970.
    pub begun_ms: i64,
    /// Last request, ms since 1970, to a minute.
    pub seen_ms: i64,
    /// Where it was begun.
    pub address: String,
    /// What the browser calls itself.
    pub device: String,
}

fn session_of(row: &Row<'_>) -> Result<Session> {
    Ok(Session {
        id: row.get(0)?,
        account: row.get(1)?,
        begun_ms: row.get(2)?,
        seen_ms: row.get(3)?,
        address: row.get(4)?,
        device: row.get(5)?,
    })
}

/// Most sessions of one account; the one that was silent longest gives way.
const MOST_SESSIONS: i64 = 20;

/// Begins a session.
pub fn begin_session(
    db: &Connection,
    account: i64,
    hash: &[u8; 32],
    address: &str,
    device: &str,
    now_ms: i64,
) -> Result<i64> {
    db.execute(
        "delete from sessions where account = ?1 and id not in
         (select id from sessions where account = ?1 order by seen desc, id desc limit ?2)",
        params![account, MOST_SESSIONS - 1],
    )?;
    db.execute(
        "insert into sessions (hash, account, begun, seen, address, device) values (?1, ?2, ?3, ?3, ?4, ?5)",
        params![hash, account, now_ms, address, device],
    )?;
    Ok(db.last_insert_rowid())
}

/// The session of a cookie's hash, with its account, if it still lives.
pub fn session(
    db: &Connection,
    hash: &[u8; 32],
    life: SessionLife,
    now_ms: i64,
) -> Result<Option<(Session, Account)>> {
    let session = db
        .prepare_cached(
            "select id, account, begun, seen, address, device from sessions
             where hash = ?1 and seen > ?2 and begun > ?3",
        )?
        .query_row(params![hash, now_ms - life.idle_ms, now_ms - life.longest_ms], session_of)
        .optional()?;
    let Some(session) = session else { return Ok(None) };
    Ok(account(db, session.account)?.map(|account| (session, account)))
}

/// Notes that a session was used.
pub fn touch_session(db: &Connection, id: i64, now_ms: i64) -> Result<()> {
    db.execute("update sessions set seen = max(seen, ?2) where id = ?1", params![id, now_ms])?;
    Ok(())
}

/// Ends a session; of this account only, if one is given. False: there is none.
pub fn end_session(db: &Connection, id: i64, account: Option<i64>) -> Result<bool> {
    Ok(db.execute(
        "delete from sessions where id = ?1 and (?2 is null or account = ?2)",
        params![id, account],
    )? == 1)
}

/// Sessions of an account that still live, the last used first.
pub fn sessions(db: &Connection, account: i64, life: SessionLife, now_ms: i64) -> Result<Vec<Session>> {
    db.prepare_cached(
        "select id, account, begun, seen, address, device from sessions
         where account = ?1 and seen > ?2 and begun > ?3 order by seen desc, id desc",
    )?
    .query_map(params![account, now_ms - life.idle_ms, now_ms - life.longest_ms], session_of)?
    .collect()
}

/// A token for programs.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Token {
    /// Its number.
    pub id: i64,
    /// Who made it; it can do no more than this account may.
    pub account: i64,
    /// What it is for.
    pub name: String,
    /// What it may do, words separated by a blank.
    pub scopes: String,
    /// When it was made, ms since 1970.
    pub made_ms: i64,
    /// When it ends, ms since 1970.
    pub ends_ms: i64,
    /// When it was last used, to a minute.
    pub used_ms: Option<i64>,
}

fn token_of(row: &Row<'_>) -> Result<Token> {
    Ok(Token {
        id: row.get(0)?,
        account: row.get(1)?,
        name: row.get(2)?,
        scopes: row.get(3)?,
        made_ms: row.get(4)?,
        ends_ms: row.get(5)?,
        used_ms: row.get(6)?,
    })
}

/// Makes a token.
pub fn add_token(
    db: &Connection,
    account: i64,
    hash: &[u8; 32],
    name: &str,
    scopes: &str,
    now_ms: i64,
    ends_ms: i64,
) -> Result<i64> {
    db.execute(
        "insert into tokens (hash, account, name, scopes, made, ends) values (?1, ?2, ?3, ?4, ?5, ?6)",
        params![hash, account, name, scopes, now_ms, ends_ms],
    )?;
    Ok(db.last_insert_rowid())
}

/// The token of a hash with its account, if it has not ended.
pub fn token(db: &Connection, hash: &[u8; 32], now_ms: i64) -> Result<Option<(Token, Account)>> {
    let token = db
        .prepare_cached(
            "select id, account, name, scopes, made, ends, used from tokens where hash = ?1 and ends > ?2",
        )?
        .query_row(params![hash, now_ms], token_of)
        .optional()?;
    let Some(token) = token else { return Ok(None) };
    Ok(account(db, token.account)?.map(|account| (token, account)))
}

/// Notes that a token was used.
pub fn touch_token(db: &Connection, id: i64, now_ms: i64) -> Result<()> {
    db.execute("update tokens set used = ?2 where id = ?1", params![id, now_ms])?;
    Ok(())
}

/// All tokens, the newest first.
pub fn tokens(db: &Connection) -> Result<Vec<Token>> {
    db.prepare_cached("select id, account, name, scopes, made, ends, used from tokens order by id desc")?
        .query_map([], token_of)?
        .collect()
}

/// Takes a token away. False: there is none.
pub fn remove_token(db: &Connection, id: i64) -> Result<bool> {
    Ok(db.execute("delete from tokens where id = ?1", [id])? == 1)
}

/// Wrong guesses in a row of an account or an address, and when the last was, ms since 1970.
pub fn wrong_guesses(db: &Connection, who: &str) -> Result<(u32, i64)> {
    Ok(db
        .prepare_cached("select n, last from wrong_guesses where who = ?1")?
        .query_row([who], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?
        .unwrap_or((0, 0)))
}

/// One more; those whose last is older than `forget_ms` begin anew. Old rows go, so that the table stays small.
pub fn add_wrong_guess(db: &Connection, who: &str, forget_ms: i64, now_ms: i64) -> Result<()> {
    db.execute("delete from wrong_guesses where last < ?1", [now_ms - forget_ms])?;
    db.execute(
        "insert into wrong_guesses (who, n, last) values (?1, 1, ?2)
         on conflict (who) do update set n = min(n + 1, 1000000), last = ?2",
        params![who, now_ms],
    )?;
    // Whoever guesses from ever other addresses does not fill the disk.
    db.execute(
        "delete from wrong_guesses where (select count(*) from wrong_guesses) > 5000
         and who in (select who from wrong_guesses order by last limit 500)",
        [],
    )?;
    Ok(())
}

/// None any more: somebody came in.
pub fn forget_wrong_guesses(db: &Connection, who: &str) -> Result<()> {
    db.execute("delete from wrong_guesses where who = ?1", [who])?;
    Ok(())
}

/// Takes away what has ended: sessions and tokens.
pub fn sweep(db: &Connection, life: SessionLife, now_ms: i64) -> Result<()> {
    db.execute(
        "delete from sessions where seen <= ?1 or begun <= ?2",
        params![now_ms - life.idle_ms, now_ms - life.longest_ms],
    )?;
    // An ended token is shown for a while, so that somebody sees why a program fails.
    const SHOWN_MS: i64 = 30 * 86_400_000;
    db.execute("delete from tokens where ends <= ?1", [now_ms - SHOWN_MS])?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIFE: SessionLife = SessionLife { idle_ms: 1000, longest_ms: 10_000 };

    fn db() -> Connection {
        let db = Connection::open_in_memory().expect("memory");
        for step in MIGRATIONS {
            db.execute_batch(step).expect("the schema");
        }
        db
    }

    #[test]
    fn the_first_owner_is_one_only_and_the_last_one_stays() {
        let db = db();
        let first = add_first_owner(&db, "Keeper", "h", 1).expect("writes").expect("none yet");
        assert_eq!(add_first_owner(&db, "other", "h", 1).expect("writes"), None);
        assert_eq!(
            add_account(&db, "keeper", Role::Viewer, "h", 1).expect("writes"),
            None,
            "capitals do not matter"
        );
        assert!(
            !remove_account(&db, first).expect("writes")
                && !set_role(&db, first, Role::Viewer).expect("writes")
        );
        let second = add_account(&db, "second", Role::Owner, "h", 1).expect("writes").expect("free");
        assert!(set_role(&db, first, Role::Viewer).expect("writes"));
        assert!(!remove_account(&db, second).expect("writes"));
        assert!(remove_account(&db, first).expect("writes"));
        assert_eq!(n_owners(&db).expect("reads"), 1);
    }

    #[test]
    fn a_session_ends_by_silence_by_age_by_password_and_with_its_account() {
        let db = db();
        let id = add_account(&db, "a", Role::Operator, "h", 0).expect("writes").expect("free");
        let begin = |hash: u8| begin_session(&db, id, &[hash; 32], "here", "browser", 0).expect("writes");
        let lives = |hash: u8, now| session(&db, &[hash; 32], LIFE, now).expect("reads").is_some();
        let first = begin(1);
        assert!(lives(1, 999) && !lives(1, 1000), "silent");
        for now in (500..10_000).step_by(500) {
            touch_session(&db, first, now).expect("writes");
        }
        assert!(lives(1, 9_999) && !lives(1, 10_000), "old");
        let second = begin(2);
        set_password(&db, id, "h2", Some(second)).expect("writes");
        assert!(!lives(1, 600) && lives(2, 600));
        remove_account(&db, id).expect("writes");
        assert!(!lives(2, 600));
    }

    #[test]
    fn an_account_has_a_bounded_number_of_sessions() {
        let db = db();
        let id = add_account(&db, "a", Role::Operator, "h", 0).expect("writes").expect("free");
        for n in 0..100_u8 {
            begin_session(&db, id, &[n; 32], "here", "browser", n.into()).expect("writes");
        }
        let left = sessions(&db, id, LIFE, 100).expect("reads");
        assert_eq!((left.len() as i64, left[0].seen_ms), (MOST_SESSIONS, 99));
    }

    #[test]
    fn codes_count_once() {
        let db = db();
        let id = add_account(&db, "a", Role::Operator, "h", 0).expect("writes").expect("free");
        set_pending_seed(&db, id, &[7; 20]).expect("writes");
        confirm_seed(&db, id, 10, &[[1; 32], [2; 32]]).expect("writes");
        let account = account(&db, id).expect("reads").expect("is there");
        assert_eq!((account.totp_seed.as_deref(), account.totp_pending), (Some(&[7; 20][..]), None));
        assert!(!take_step(&db, id, 10).expect("writes") && take_step(&db, id, 11).expect("writes"));
        assert!(!take_step(&db, id, 11).expect("writes"));
        assert!(take_recovery_code(&db, id, &[1; 32]).expect("writes"));
        assert!(!take_recovery_code(&db, id, &[1; 32]).expect("writes"));
        assert_eq!(n_recovery_codes(&db, id).expect("reads"), 1);
        drop_seed(&db, id).expect("writes");
        assert_eq!(n_recovery_codes(&db, id).expect("reads"), 0);
    }

    #[test]
    fn tokens_end() {
        let db = db();
        let id = add_account(&db, "a", Role::Operator, "h", 0).expect("writes").expect("free");
        let token_id = add_token(&db, id, &[9; 32], "metrics", "read", 0, 100).expect("writes");
        assert!(token(&db, &[9; 32], 99).expect("reads").is_some());
        assert!(token(&db, &[9; 32], 100).expect("reads").is_none());
        assert!(remove_token(&db, token_id).expect("writes"));
        assert!(token(&db, &[9; 32], 0).expect("reads").is_none());
    }

    #[test]
    fn guesses_are_counted_forgotten_and_bounded() {
        let db = db();
        for now in 0..5 {
            add_wrong_guess(&db, "account:a", 1000, now).expect("writes");
        }
        assert_eq!(wrong_guesses(&db, "account:a").expect("reads"), (5, 4));
        add_wrong_guess(&db, "account:a", 1000, 2000).expect("writes");
        assert_eq!(wrong_guesses(&db, "account:a").expect("reads").0, 1, "the old ones are forgotten");
        forget_wrong_guesses(&db, "account:a").expect("writes");
        assert_eq!(wrong_guesses(&db, "account:a").expect("reads").0, 0);
        for n in 0..6000 {
            add_wrong_guess(&db, &format!("address:{n}"), 1_000_000, n).expect("writes");
        }
        let n: i64 = db.query_row("select count(*) from wrong_guesses", [], |row| row.get(0)).expect("reads");
        assert!(n <= 5001, "{n}");
    }
}
