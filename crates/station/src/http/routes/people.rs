//! People: logging in and out, the first account, one's own account, all accounts, tokens.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use store::Doing as _;
use store::people;
use utoipa::ToSchema;

use super::{Told, said};
use crate::app::{App, now_ms};
use crate::auth::door::{By, COOKIE, LogIn, Who};
use crate::auth::needs::Scope;
use crate::auth::password::Password;
use crate::auth::ticket::{self, Ticket};
use crate::auth::totp::Seed;
use crate::http::guard::{Body, Place};
use crate::http::listen::Peer;
use crate::http::problem::{Problem, ProblemBody};

/// Recovery codes that an account gets.
const N_RECOVERY_CODES: usize = 8;
/// Groups of four characters in each: 117 bits, so that a plain hash of it does (OWASP ASVS 5.0, 6.5.2: from 112 bits on).
const RECOVERY_GROUPS: usize = 6;
/// Longest life of a token, days.
const LONGEST_TOKEN_DAYS: u32 = 366;
/// Most tokens of a station.
const MOST_TOKENS: usize = 50;
/// Most accounts of a station.
const MOST_ACCOUNTS: usize = 50;

/// What somebody may do.
#[derive(Serialize, Deserialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "lowercase")]
pub(super) enum Role {
    /// Sees.
    Viewer,
    /// Acts.
    Operator,
    /// Decides who may.
    Owner,
}

impl From<people::Role> for Role {
    fn from(role: people::Role) -> Self {
        match role {
            people::Role::Viewer => Role::Viewer,
            people::Role::Operator => Role::Operator,
            people::Role::Owner => Role::Owner,
        }
    }
}

impl From<Role> for people::Role {
    fn from(role: Role) -> Self {
        match role {
            Role::Viewer => people::Role::Viewer,
            Role::Operator => people::Role::Operator,
            Role::Owner => people::Role::Owner,
        }
    }
}

/// Who is logged in.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct Me {
    /// Name of the account.
    name: String,
    /// What it may do.
    role: Role,
}

/// Who asks, and whether there is an owner yet.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct SessionBody {
    /// Who is logged in; not there: nobody.
    #[serde(skip_serializing_if = "Option::is_none")]
    me: Option<Me>,
    /// There is no owner yet: the code that the station printed makes one.
    needs_first_owner: bool,
}

/// Who asks. Anybody may ask this.
#[utoipa::path(get, path = "/api/v1/session", tag = "people", security(()),
    responses((status = 200, body = SessionBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn session(
    State(app): State<Arc<App>>,
    who: Option<axum::Extension<Who>>,
) -> Json<SessionBody> {
    let me = who.map(|axum::Extension(who)| Me { name: who.name, role: who.role.into() });
    Json(SessionBody { me, needs_first_owner: !*app.door.has_owner().borrow() })
}

/// A log-in.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Credentials {
    /// Name of the account.
    name: String,
    /// Its password.
    #[schema(value_type = String, format = Password)]
    password: Password,
    /// One-time code, or a recovery code, where the account has them.
    #[schema(format = Password)]
    code: Option<String>,
}

fn device(headers: &HeaderMap) -> String {
    headers.get(header::USER_AGENT).and_then(|value| value.to_str().ok()).unwrap_or("unknown").to_owned()
}

/// The cookie of a session: for this host only, over TLS (or to the machine itself), out of reach of scripts, not sent from other sites.
fn cookie(ticket: &str, seconds: i64) -> [(HeaderName, String); 1] {
    [(
        header::SET_COOKIE,
        format!("{COOKIE}={ticket}; Path=/; Max-Age={seconds}; Secure; HttpOnly; SameSite=Strict"),
    )]
}

fn logged_in(app: &App, (ticket, who): (Ticket, Who)) -> Response {
    let body =
        SessionBody { me: Some(Me { name: who.name, role: who.role.into() }), needs_first_owner: false };
    (cookie(ticket.text(), app.door.life().longest_ms / 1000), Json(body)).into_response()
}

/// Logs in; the session comes as a cookie.
#[utoipa::path(post, path = "/api/v1/session", tag = "people", request_body = Credentials, security(()),
    responses((status = 200, body = SessionBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn log_in(
    State(app): State<Arc<App>>,
    peer: Peer,
    headers: HeaderMap,
    Body(given): Body<Credentials>,
) -> Result<Response, Problem> {
    let log_in =
        LogIn { name: given.name, password: given.password, code: given.code, device: device(&headers) };
    let came = app.door.log_in(log_in, peer, now_ms()).await?;
    Ok(logged_in(&app, came))
}

/// Logs out.
#[utoipa::path(delete, path = "/api/v1/session", tag = "people", security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn log_out(State(app): State<Arc<App>>, who: Who) -> Result<Response, Problem> {
    if let By::Session(id) = who.by {
        write(&app, "ending a session", move |db| people::end_session(db, id, None)).await?;
    }
    let clear = (
        HeaderName::from_static("clear-site-data"),
        HeaderValue::from_static("\"cache\", \"cookies\", \"storage\""),
    );
    Ok((cookie("", 0), [clear], Told::new("Logged out.")).into_response())
}

/// The first owner.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct FirstOwner {
    /// The code that the station printed when it started.
    #[schema(format = Password)]
    code: String,
    /// Name of the account, 1 to 40 characters.
    name: String,
    /// Its password, 12 characters or more.
    #[schema(value_type = String, format = Password)]
    password: Password,
}

/// Makes the first owner. Only with the code from the station's terminal, and only once.
#[utoipa::path(post, path = "/api/v1/account/first", tag = "people", request_body = FirstOwner, security(()),
    responses((status = 200, body = SessionBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn first_owner(
    State(app): State<Arc<App>>,
    peer: Peer,
    headers: HeaderMap,
    Body(given): Body<FirstOwner>,
) -> Result<Response, Problem> {
    let log_in = LogIn { name: given.name, password: given.password, code: None, device: device(&headers) };
    let came = app.door.first_owner(given.code, log_in, peer, now_ms()).await?;
    Ok(logged_in(&app, came))
}

async fn write<T: Send + 'static>(
    app: &Arc<App>,
    doing: &'static str,
    act: impl FnOnce(&store::rusqlite::Connection) -> store::rusqlite::Result<T> + Send + 'static,
) -> Result<T, Problem> {
    app.blocking(move |app| app.store.write(move |db| act(db).doing(doing)).map_err(Problem::store)).await
}

/// Notes an act on accounts in the log of events.
async fn noted(app: &Arc<App>, who: &Who, what: String) -> Result<(), Problem> {
    let text = format!("{}: {what}", who.signature());
    app.blocking(move |app| {
        app.store.add_event(now_ms(), "station", "account", &text).map(drop).map_err(Problem::store)
    })
    .await
}

/// One session of an account.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct OneSession {
    /// Its number.
    id: i64,
    /// The one that asks.
    is_this: bool,
    /// Since when, ms since 1970.
    begun_ms: i64,
    /// Last request, ms since 1970, to a minute.
    seen_ms: i64,
    /// Where it was begun.
    address: String,
    /// What the browser calls itself.
    device: String,
}

/// One's own account.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct AccountBody {
    /// Its name.
    name: String,
    /// What it may do.
    role: Role,
    /// It has one-time codes.
    has_totp: bool,
    /// Recovery codes left.
    n_recovery_codes: i64,
    /// Sessions that live.
    sessions: Vec<OneSession>,
}

/// One's own account.
#[utoipa::path(get, path = "/api/v1/account", tag = "people", security(("session" = [])),
    responses((status = 200, body = AccountBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn account(State(app): State<Arc<App>>, who: Who) -> Result<Json<AccountBody>, Problem> {
    app.blocking(move |app| {
        let account = app.door.account(who.account)?;
        let life = app.door.life();
        let (sessions, n_recovery_codes) = (app.store)
            .read(|db| {
                let sessions = people::sessions(db, account.id, life, now_ms()).doing("reading sessions")?;
                Ok((sessions, people::n_recovery_codes(db, account.id).doing("counting codes")?))
            })
            .map_err(Problem::store)?;
        let sessions = sessions.into_iter().map(|session| OneSession {
            is_this: who.by == By::Session(session.id),
            id: session.id,
            begun_ms: session.begun_ms,
            seen_ms: session.seen_ms,
            address: session.address,
            device: session.device,
        });
        Ok(Json(AccountBody {
            name: account.name,
            role: account.role.into(),
            has_totp: account.totp_seed.is_some(),
            n_recovery_codes,
            sessions: sessions.collect(),
        }))
    })
    .await
}

/// Another password.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewPassword {
    /// The one that counts.
    #[schema(value_type = String, format = Password)]
    old: Password,
    /// The one that shall count.
    #[schema(value_type = String, format = Password)]
    new: Password,
}

/// Another password for one's own account; all other sessions of it end.
#[utoipa::path(post, path = "/api/v1/account/password", tag = "people", request_body = NewPassword, security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn set_password(
    State(app): State<Arc<App>>,
    who: Who,
    peer: Peer,
    Body(given): Body<NewPassword>,
) -> Result<Json<Told>, Problem> {
    app.door.confirm(&who, given.old, peer, now_ms()).await?;
    let hash = app.door.new_hash(&who.name, given.new).await?;
    let (id, keep) = (who.account, who.session());
    write(&app, "changing a password", move |db| people::set_password(db, id, &hash, keep)).await?;
    noted(&app, &who, "changed the password".to_owned()).await?;
    Ok(Told::new("The password is changed; all other sessions of the account have ended."))
}

/// The password again, for what matters.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Again {
    /// The account's password.
    #[schema(value_type = String, format = Password)]
    password: Password,
}

/// What an authenticator app needs.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct TotpBody {
    /// For the app, as a picture or a link.
    uri: String,
    /// The same to type.
    secret: String,
}

/// Begins one-time codes: gives the secret for an app. They count once a code has confirmed that the app has it.
#[utoipa::path(post, path = "/api/v1/account/totp", tag = "people", request_body = Again, security(("session" = [])),
    responses((status = 200, body = TotpBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn begin_totp(
    State(app): State<Arc<App>>,
    who: Who,
    peer: Peer,
    Body(again): Body<Again>,
) -> Result<Json<TotpBody>, Problem> {
    app.door.confirm(&who, again.password, peer, now_ms()).await?;
    let seed =
        Seed::new().ok_or_else(|| Problem::internal("The operating system gives no random numbers."))?;
    let body = TotpBody { uri: seed.uri(&app.site.name, &who.name), secret: seed.base32() };
    let id = who.account;
    write(&app, "beginning one-time codes", move |db| people::set_pending_seed(db, id, seed.as_bytes()))
        .await?;
    Ok(Json(body))
}

/// A one-time code.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Code {
    /// Six digits, as the app shows them.
    #[schema(format = Password)]
    code: String,
}

/// Recovery codes, told once.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct RecoveryBody {
    /// Each counts once, in place of a one-time code. Keep them on paper.
    recovery_codes: Vec<String>,
}

/// Confirms that the app has the secret: from now on a log-in takes a code. Gives recovery codes, once.
#[utoipa::path(post, path = "/api/v1/account/totp/confirm", tag = "people", request_body = Code, security(("session" = [])),
    responses((status = 200, body = RecoveryBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn confirm_totp(
    State(app): State<Arc<App>>,
    who: Who,
    Body(given): Body<Code>,
) -> Result<Json<RecoveryBody>, Problem> {
    let id = who.account;
    let pending = app.blocking(move |app| Ok(app.door.account(id)?.totp_pending)).await?;
    let Some(seed) = pending.as_deref().and_then(Seed::from_bytes) else {
        return Err(Problem::conflict("No one-time codes wait for confirmation. Begin with them first."));
    };
    let Some(step) = seed.check(&given.code, now_ms().max(0).cast_unsigned() / 1000, 0) else {
        return Err(Problem::not_possible(
            "This is not the code of now. Wait for the next, and check the clocks of phone and station.",
        ));
    };
    let codes: Option<Vec<String>> =
        (0..N_RECOVERY_CODES).map(|_| ticket::typed_code(RECOVERY_GROUPS)).collect();
    let codes = codes.ok_or_else(|| Problem::internal("The operating system gives no random numbers."))?;
    let hashes: Vec<[u8; 32]> = codes.iter().map(|code| ticket::hash(&ticket::as_compared(code))).collect();
    let keep = who.session();
    write(&app, "confirming one-time codes", move |db| {
        people::confirm_seed(db, id, step, &hashes)?;
        people::end_sessions(db, id, keep)
    })
    .await?;
    noted(&app, &who, "one-time codes count from now on".to_owned()).await?;
    Ok(Json(RecoveryBody { recovery_codes: codes }))
}

/// Ends one-time codes.
#[utoipa::path(delete, path = "/api/v1/account/totp", tag = "people", request_body = Again, security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn end_totp(
    State(app): State<Arc<App>>,
    who: Who,
    peer: Peer,
    Body(again): Body<Again>,
) -> Result<Json<Told>, Problem> {
    app.door.confirm(&who, again.password, peer, now_ms()).await?;
    let id = who.account;
    let keep = who.session();
    write(&app, "ending one-time codes", move |db| {
        people::drop_seed(db, id)?;
        people::end_sessions(db, id, keep)
    })
    .await?;
    noted(&app, &who, "one-time codes count no more".to_owned()).await?;
    Ok(Told::new("One-time codes count no more: the password alone logs in."))
}

/// Ends a session of one's own account.
#[utoipa::path(delete, path = "/api/v1/account/sessions/{id}", tag = "people", params(("id" = i64, Path, description = "Number of the session")),
    security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn end_session(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
) -> Result<Json<Told>, Problem> {
    let account = who.account;
    if write(&app, "ending a session", move |db| people::end_session(db, id, Some(account))).await? {
        Ok(Told::new("The session has ended."))
    } else {
        Err(Problem::not_found("There is no such session of your account."))
    }
}

/// One account.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct OneAccount {
    /// Its number.
    id: i64,
    /// Its name.
    name: String,
    /// What it may do.
    role: Role,
    /// It has one-time codes.
    has_totp: bool,
    /// When it was made, ms since 1970.
    made_ms: i64,
}

/// All accounts.
#[utoipa::path(get, path = "/api/v1/accounts", tag = "people", security(("session" = [])),
    responses((status = 200, body = Vec<OneAccount>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn accounts(State(app): State<Arc<App>>) -> Result<Json<Vec<OneAccount>>, Problem> {
    app.blocking(|app| {
        let all =
            app.store.read(|db| people::accounts(db).doing("reading accounts")).map_err(Problem::store)?;
        let all = all.into_iter().map(|account| OneAccount {
            id: account.id,
            name: account.name,
            role: account.role.into(),
            has_totp: account.totp_seed.is_some(),
            made_ms: account.created_ms,
        });
        Ok(Json(all.collect()))
    })
    .await
}

/// A new account.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewAccount {
    /// Its name, 1 to 40 characters.
    name: String,
    /// What it may do.
    role: Role,
    /// A password to begin with, 12 characters or more; its person changes it.
    #[schema(value_type = String, format = Password)]
    password: Password,
}

/// Makes an account.
#[utoipa::path(post, path = "/api/v1/accounts", tag = "people", request_body = NewAccount, security(("session" = [])),
    responses((status = 200, body = OneAccount), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn add_account(
    State(app): State<Arc<App>>,
    who: Who,
    Body(new): Body<NewAccount>,
) -> Result<Json<OneAccount>, Problem> {
    let n = app
        .blocking(|app| {
            Ok(app
                .store
                .read(|db| people::accounts(db).doing("reading accounts"))
                .map_err(Problem::store)?
                .len())
        })
        .await?;
    if n >= MOST_ACCOUNTS {
        return Err(Problem::conflict("The station has as many accounts as it can. Remove one first."));
    }
    let hash = app.door.new_hash(&new.name, new.password).await?;
    let (name, role, now) = (new.name.clone(), new.role, now_ms());
    let made =
        write(&app, "making an account", move |db| people::add_account(db, &name, role.into(), &hash, now))
            .await?;
    let Some(id) = made else {
        return Err(Problem::conflict("There is an account of that name. Choose another."));
    };
    noted(&app, &who, format!("made the account {} ({})", new.name, people::Role::from(role).word())).await?;
    Ok(Json(OneAccount { id, name: new.name, role, has_totp: false, made_ms: now }))
}

/// Another role.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewRole {
    /// What the account may do from now on.
    role: Role,
}

const LAST_OWNER: &str = "There is no such account, or it is the last owner. Make another owner first.";

/// Gives an account another role.
#[utoipa::path(post, path = "/api/v1/accounts/{id}/role", tag = "people", params(("id" = i64, Path, description = "Number of the account")),
    request_body = NewRole, security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn set_role(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
    Body(new): Body<NewRole>,
) -> Result<Json<Told>, Problem> {
    let role = people::Role::from(new.role);
    if !write(&app, "changing a role", move |db| people::set_role(db, id, role)).await? {
        return Err(Problem::conflict(LAST_OWNER));
    }
    noted(&app, &who, format!("account {id} is {} from now on", role.word())).await?;
    Ok(Told::new(format!("The account is {} from now on.", role.word())))
}

/// Removes an account with its sessions and tokens. What it did stays in the audit trail.
#[utoipa::path(delete, path = "/api/v1/accounts/{id}", tag = "people", params(("id" = i64, Path, description = "Number of the account")),
    security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn remove_account(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
) -> Result<Json<Told>, Problem> {
    if !write(&app, "removing an account", move |db| people::remove_account(db, id)).await? {
        return Err(Problem::conflict(LAST_OWNER));
    }
    noted(&app, &who, format!("removed account {id}")).await?;
    Ok(Told::new("The account is removed."))
}

/// Ends all sessions of an account.
#[utoipa::path(delete, path = "/api/v1/accounts/{id}/sessions", tag = "people", params(("id" = i64, Path, description = "Number of the account")),
    security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn end_sessions_of(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
) -> Result<Json<Told>, Problem> {
    write(&app, "ending sessions", move |db| people::end_sessions(db, id, None)).await?;
    noted(&app, &who, format!("ended all sessions of account {id}")).await?;
    Ok(Told::new("All sessions of the account have ended."))
}

/// One token, without its secret.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct OneToken {
    /// Its number.
    id: i64,
    /// What it is for.
    name: String,
    /// What it may do.
    scopes: Vec<Scope>,
    /// When it was made, ms since 1970.
    made_ms: i64,
    /// When it ends, ms since 1970.
    ends_ms: i64,
    /// When it was last used, to a minute, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    used_ms: Option<i64>,
}

fn scopes(words: &str) -> Vec<Scope> {
    words.split(' ').filter_map(|word| Scope::ALL.into_iter().find(|scope| scope.word() == word)).collect()
}

/// All tokens, the newest first.
#[utoipa::path(get, path = "/api/v1/tokens", tag = "people", security(("session" = [])),
    responses((status = 200, body = Vec<OneToken>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn tokens(State(app): State<Arc<App>>) -> Result<Json<Vec<OneToken>>, Problem> {
    app.blocking(|app| {
        let all = app.store.read(|db| people::tokens(db).doing("reading tokens")).map_err(Problem::store)?;
        let all = all.into_iter().map(|token| OneToken {
            id: token.id,
            scopes: scopes(&token.scopes),
            name: token.name,
            made_ms: token.made_ms,
            ends_ms: token.ends_ms,
            used_ms: token.used_ms,
        });
        Ok(Json(all.collect()))
    })
    .await
}

/// A new token.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewToken {
    /// What it is for, 1 to 40 characters.
    name: String,
    /// What it may do.
    #[schema(min_items = 1)]
    scopes: Vec<Scope>,
    /// It ends after so many days, 1 to 366.
    #[schema(minimum = 1, maximum = 366)]
    days: u32,
}

/// A token with its secret, told once.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct MadeToken {
    /// Its number.
    id: i64,
    /// To send as `Authorization: Bearer`. It is kept as a hash only and never told again.
    token: String,
    /// When it ends, ms since 1970.
    ends_ms: i64,
}

/// Makes a token for a program.
#[utoipa::path(post, path = "/api/v1/tokens", tag = "people", request_body = NewToken, security(("session" = [])),
    responses((status = 200, body = MadeToken), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn add_token(
    State(app): State<Arc<App>>,
    who: Who,
    Body(new): Body<NewToken>,
) -> Result<Json<MadeToken>, Problem> {
    let name = said(&new.name, "name", 40)?;
    if new.scopes.is_empty() || !(1..=LONGEST_TOKEN_DAYS).contains(&new.days) {
        return Err(Problem::not_possible("A token needs one scope at least, and ends after 1 to 366 days."));
    }
    let n = app
        .blocking(|app| {
            Ok(app.store.read(|db| people::tokens(db).doing("reading tokens")).map_err(Problem::store)?.len())
        })
        .await?;
    if n >= MOST_TOKENS {
        return Err(Problem::conflict("The station has as many tokens as it can. Remove one first."));
    }
    let words: Vec<&str> =
        Scope::ALL.into_iter().filter(|scope| new.scopes.contains(scope)).map(Scope::word).collect();
    let words = words.join(" ");
    let ticket =
        Ticket::new().ok_or_else(|| Problem::internal("The operating system gives no random numbers."))?;
    let (hash, account, now) = (ticket.hash(), who.account, now_ms());
    let ends_ms = now + i64::from(new.days) * 86_400_000;
    noted(&app, &who, format!("makes the token {name} ({words})")).await?;
    let id = write(&app, "making a token", move |db| {
        people::add_token(db, account, &hash, &name, &words, now, ends_ms)
    })
    .await?;
    Ok(Json(MadeToken { id, token: ticket.text().to_owned(), ends_ms }))
}

/// Removes a token.
#[utoipa::path(delete, path = "/api/v1/tokens/{id}", tag = "people", params(("id" = i64, Path, description = "Number of the token")),
    security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn remove_token(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
) -> Result<Json<Told>, Problem> {
    if !write(&app, "removing a token", move |db| people::remove_token(db, id)).await? {
        return Err(Problem::not_found("There is no such token."));
    }
    noted(&app, &who, format!("removed token {id}")).await?;
    Ok(Told::new("The token is removed."))
}
