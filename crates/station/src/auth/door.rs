//! The door: who a request comes from, logging in and out, the first account.
//!
//! Contract: every function that looks into the store blocks and is called where that does no harm. Wrong guesses are counted in the store,
//! so a restart forgives nothing.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use axum::http::HeaderMap;
use axum::http::header;
use store::people::{self, Account, Role, SessionLife};
use store::{Doing as _, Store};
use tokio::sync::watch;

use super::needs::{Need, Scope};
use super::password::{Hasher, Password, weakness};
use super::throttle::{Buckets, LONGEST_WAIT_HERE_MS, LONGEST_WAIT_MS, Origin, wait_ms};
use super::ticket::{self, Ticket};
use super::totp::Seed;
use crate::http::listen::{Peer, Way};
use crate::http::problem::Problem;

/// The session's cookie. The prefix binds it to this host, to TLS and to all paths (RFC 6265bis, section 4.1.3.2).
pub const COOKIE: &str = "__Host-tidewright";
/// Wrong guesses older than this are forgotten.
const FORGET_MS: i64 = 24 * 3_600_000;
/// Sessions and tokens note their last use so seldom.
const TOUCH_MS: i64 = 60_000;
/// A refusal of somebody is written down so seldom.
const REFUSAL_MS: i64 = 60_000;
/// Refusals that are written down within that time.
const MOST_REFUSALS: usize = 64;
/// Names of accounts are no longer than this, characters.
pub const LONGEST_NAME: usize = 40;

/// Who a request comes from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Who {
    /// The account.
    pub account: i64,
    /// Its name.
    pub name: String,
    /// What it may do.
    pub role: Role,
    /// By which way it came in.
    pub by: By,
}

/// By which way somebody came in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum By {
    /// A session, with its number.
    Session(i64),
    /// A token: its name and what it may do.
    Token(String, Vec<Scope>),
}

impl Who {
    /// As it stands in the audit trail.
    pub fn signature(&self) -> String {
        match &self.by {
            By::Session(_) => self.name.clone(),
            By::Token(token, _) => format!("{} by token {token}", self.name),
        }
    }

    /// The session, unless it is a token.
    pub fn session(&self) -> Option<i64> {
        match self.by {
            By::Session(id) => Some(id),
            By::Token(..) => None,
        }
    }

    /// Whether this is enough.
    pub fn may(&self, need: Need) -> bool {
        match (need, &self.by) {
            (Need::Nothing, _) => true,
            (Need::Session(role), By::Session(_)) => self.role >= role,
            (Need::Session(_), By::Token(..)) => false,
            (Need::Scope(scope), By::Session(_)) => self.role >= scope.role(),
            (Need::Scope(scope), By::Token(_, scopes)) => {
                let has =
                    scopes.contains(&scope) || (scope == Scope::Metrics && scopes.contains(&Scope::Read));
                has && self.role >= scope.role()
            }
        }
    }
}

/// What somebody shows to come in.
pub enum Shown {
    /// Nothing.
    Nothing,
    /// A session's cookie.
    Cookie([u8; 32]),
    /// A token.
    Bearer([u8; 32]),
}

/// What the head of a request shows.
pub fn shown(headers: &HeaderMap) -> Shown {
    if let Some(value) = headers.get(header::AUTHORIZATION) {
        let token = value.to_str().ok().and_then(|text| {
            let (scheme, token) = text.split_once(' ')?;
            scheme.eq_ignore_ascii_case("bearer").then_some(token.trim())
        });
        // Whoever shows something else than a token is not let in by a cookie beside it.
        return Shown::Bearer(ticket::hash(token.unwrap_or("")));
    }
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    cookies
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .map_or(Shown::Nothing, |(_, value)| Shown::Cookie(ticket::hash(value)))
}

/// Guards the station.
pub struct Door {
    store: Store,
    hasher: Hasher,
    buckets: Mutex<Buckets>,
    life: SessionLife,
    /// When somebody's refusal was last written down, by signature.
    refusals: Mutex<HashMap<String, i64>>,
    /// Compared form of the code for the first account; `None` once there is an owner.
    first_code: Mutex<Option<[u8; 32]>>,
    has_owner: watch::Sender<bool>,
}

impl std::fmt::Debug for Door {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Door")
    }
}

/// A log-in as it is typed.
pub struct LogIn {
    /// Of the account.
    pub name: String,
    /// Its password.
    pub password: Password,
    /// One-time code or recovery code.
    pub code: Option<String>,
    /// What the browser calls itself.
    pub device: String,
}

fn tired(_: super::password::Crowded) -> Problem {
    Problem::busy("Too many are logging in at once. Try again in a few seconds.")
}

fn no_randomness() -> Problem {
    Problem::internal("The operating system gives no random numbers; look at the station's machine.")
}

/// Whether a name can be one of an account; the sentence says what is wrong.
fn name_fault(name: &str) -> Option<String> {
    let n = name.chars().count();
    let is_fine = (1..=LONGEST_NAME).contains(&n)
        && name.trim() == name
        && name.chars().all(|c| c.is_alphanumeric() || " ._-'@".contains(c));
    (!is_fine).then(|| {
        format!(
            "a name has 1 to {LONGEST_NAME} letters, digits, blanks and `. _ - ' @`, and no blank at its ends"
        )
    })
}

impl Door {
    /// A door to this store. Where there is no owner yet, [`Door::new_first_code`] gives the code that makes one.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn new(store: Store, life: SessionLife) -> store::Result<Door> {
        let has_owner = store.read(|db| people::n_owners(db).doing("counting owners"))? > 0;
        Ok(Door {
            store,
            hasher: Hasher::new(),
            buckets: Mutex::default(),
            life,
            refusals: Mutex::default(),
            first_code: Mutex::new(None),
            has_owner: watch::Sender::new(has_owner),
        })
    }

    /// Whether there is an owner; changes once.
    pub fn has_owner(&self) -> watch::Receiver<bool> {
        self.has_owner.subscribe()
    }

    /// A new code for the first account; the one before it counts no more. `None`: there is an owner, or no randomness.
    pub fn new_first_code(&self) -> Option<String> {
        if *self.has_owner.borrow() {
            return None;
        }
        let code = ticket::typed_code(4)?;
        *self.first_code.lock().unwrap_or_else(PoisonError::into_inner) =
            Some(ticket::hash(&ticket::as_compared(&code)));
        Some(code)
    }

    /// Takes a request's share of what an address may ask for.
    ///
    /// # Errors
    /// The address must wait.
    pub fn take(&self, peer: &Peer, cost: f64, now_ms: i64) -> Result<(), Problem> {
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        buckets.take(Origin::of(peer.address), cost, now_ms).map_err(|seconds| {
            Problem::wait(seconds, format!("This address asks too often. Go on in {seconds} s."))
        })
    }

    /// Writes down that somebody wanted what they may not; of each at most once a minute, so that a program that goes on asking fills no disk.
    pub fn note_refusal(&self, who: &Who, what: &str, peer: &Peer, now_ms: i64) {
        let signature = who.signature();
        {
            let mut refusals = self.refusals.lock().unwrap_or_else(PoisonError::into_inner);
            refusals.retain(|_, at_ms| now_ms - *at_ms < REFUSAL_MS);
            if refusals.contains_key(&signature) || refusals.len() >= MOST_REFUSALS {
                return;
            }
            refusals.insert(signature.clone(), now_ms);
        }
        // A store that cannot write now has said so already.
        let _ = self.store.add_event(
            now_ms,
            "station",
            "refused",
            &format!("{signature} may not {what}, from {}", peer.address),
        );
    }

    /// Who shows this; `None`: nobody, or it has ended.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn who(&self, shown: &Shown, now_ms: i64) -> Result<Option<Who>, Problem> {
        let life = self.life;
        let who = match shown {
            Shown::Nothing => None,
            Shown::Cookie(hash) => {
                let found = self
                    .store
                    .read(|db| people::session(db, hash, life, now_ms).doing("reading a session"))
                    .map_err(Problem::store)?;
                found.map(|(session, account)| {
                    if now_ms - session.seen_ms > TOUCH_MS {
                        // A store that cannot write now still lets in whom it knows.
                        let _ = self.store.write(move |db| {
                            people::touch_session(db, session.id, now_ms).doing("noting a session")
                        });
                    }
                    Who {
                        account: account.id,
                        name: account.name,
                        role: account.role,
                        by: By::Session(session.id),
                    }
                })
            }
            Shown::Bearer(hash) => {
                let found = self
                    .store
                    .read(|db| people::token(db, hash, now_ms).doing("reading a token"))
                    .map_err(Problem::store)?;
                found.map(|(token, account)| {
                    if token.used_ms.is_none_or(|used| now_ms - used > TOUCH_MS) {
                        let _ = self.store.write(move |db| {
                            people::touch_token(db, token.id, now_ms).doing("noting a token")
                        });
                    }
                    let scopes = token
                        .scopes
                        .split(' ')
                        .filter_map(|word| Scope::ALL.into_iter().find(|scope| scope.word() == word));
                    let by = By::Token(token.name, scopes.collect());
                    Who { account: account.id, name: account.name, role: account.role, by }
                })
            }
        };
        Ok(who)
    }

    /// Whether a guess for these must wait, with the longest wait of each.
    fn wait_for(&self, keys: &[(String, i64)], now_ms: i64) -> Result<(), Problem> {
        for (key, longest) in keys {
            let (n, last_ms) = self
                .store
                .read(|db| people::wrong_guesses(db, key).doing("reading wrong guesses"))
                .map_err(Problem::store)?;
            // A clock that was set back must not lock anybody out for long.
            let since = (now_ms - last_ms).max(0);
            let left = wait_ms(n, *longest) - since;
            if left > 0 {
                let seconds = left.cast_unsigned().div_ceil(1000);
                return Err(Problem::wait(
                    seconds,
                    format!("There were {n} wrong log-ins in a row. Try again in {seconds} s."),
                ));
            }
        }
        Ok(())
    }

    fn wrong(&self, keys: &[(String, i64)], what: String, now_ms: i64) -> Result<(), Problem> {
        let keys: Vec<String> = keys.iter().map(|(key, _)| key.clone()).collect();
        self.store
            .write(move |db| {
                for key in &keys {
                    people::add_wrong_guess(db, key, FORGET_MS, now_ms).doing("counting a wrong guess")?;
                }
                Ok(())
            })
            .and_then(|()| self.store.add_event(now_ms, "station", "log-in", &what))
            .map_err(Problem::store)?;
        Ok(())
    }

    /// What is counted for a guess: the address, and the account unless somebody sits at the machine itself.
    fn keys(peer: &Peer, account: &str) -> Vec<(String, i64)> {
        match peer.way {
            Way::Here => vec![("here".to_owned(), LONGEST_WAIT_HERE_MS)],
            Way::Far => vec![
                (format!("address {}", Origin::of(peer.address).key()), LONGEST_WAIT_MS),
                (format!("account {}", account.to_lowercase()), LONGEST_WAIT_MS),
            ],
        }
    }

    async fn blocking<T: Send + 'static>(
        self: &std::sync::Arc<Self>,
        act: impl FnOnce(&Door) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let door = self.clone();
        tokio::task::spawn_blocking(move || act(&door))
            .await
            .unwrap_or_else(|_| Err(Problem::internal("A log-in was broken off; try again.")))
    }

    /// Logs somebody in; gives the cookie's ticket.
    ///
    /// # Errors
    /// Wrong, too early, or a code is needed.
    pub async fn log_in(
        self: &std::sync::Arc<Self>,
        log_in: LogIn,
        peer: Peer,
        now_ms: i64,
    ) -> Result<(Ticket, Who), Problem> {
        let LogIn { name, password, code, device } = log_in;
        if name.chars().count() > LONGEST_NAME {
            return Err(Problem::wrong_credentials());
        }
        let keys = Door::keys(&peer, &name);
        let (account, keys) = self
            .blocking({
                let name = name.clone();
                move |door| {
                    door.wait_for(&keys, now_ms)?;
                    let account =
                        door.store.read(|db| people::account_named(db, &name).doing("reading an account"));
                    Ok((account.map_err(Problem::store)?, keys))
                }
            })
            .await?;
        let hash = account.as_ref().map(|account| account.password_hash.clone());
        let is_right = self.hasher.verify(password, hash).await.map_err(tired)?;
        self.blocking(move |door| {
            let shown_name: String = name.chars().filter(|c| !c.is_control()).collect();
            let wrong = |what: &str| {
                door.wrong(
                    &keys,
                    format!("wrong log-in as `{shown_name}` from {}: {what}", peer.address),
                    now_ms,
                )
            };
            let Some(account) = account.filter(|_| is_right) else {
                wrong("name or password")?;
                return Err(Problem::wrong_credentials());
            };
            if let Some(seed) = account.totp_seed.as_deref().and_then(Seed::from_bytes) {
                let Some(code) = code.filter(|code| !code.trim().is_empty()) else {
                    return Err(Problem::code_needed());
                };
                if !door.take_code(&account, &seed, &code, now_ms)? {
                    wrong("one-time code")?;
                    return Err(Problem::wrong_credentials());
                }
            }
            let forgotten = keys.into_iter().map(|(key, _)| key).filter(|key| !key.starts_with("address "));
            for key in forgotten {
                door.store
                    .write(move |db| people::forget_wrong_guesses(db, &key).doing("forgetting wrong guesses"))
                    .map_err(Problem::store)?;
            }
            door.begin(&account, peer, device, now_ms)
        })
        .await
    }

    /// Whether a one-time or recovery code counts; it does not a second time.
    fn take_code(&self, account: &Account, seed: &Seed, code: &str, now_ms: i64) -> Result<bool, Problem> {
        let id = account.id;
        let now_s = now_ms.max(0).cast_unsigned() / 1000;
        if let Some(step) = seed.check(code, now_s, account.totp_last_step) {
            return self
                .store
                .write(move |db| people::take_step(db, id, step).doing("noting a one-time code"))
                .map_err(Problem::store);
        }
        let hash = ticket::hash(&ticket::as_compared(code));
        self.store
            .write(move |db| people::take_recovery_code(db, id, &hash).doing("using a recovery code"))
            .map_err(Problem::store)
    }

    fn begin(
        &self,
        account: &Account,
        peer: Peer,
        device: String,
        now_ms: i64,
    ) -> Result<(Ticket, Who), Problem> {
        let ticket = Ticket::new().ok_or_else(no_randomness)?;
        let (hash, id, address) = (ticket.hash(), account.id, peer.address.to_string());
        let device: String = device.chars().filter(|c| !c.is_control()).take(120).collect();
        let session = self
            .store
            .write(move |db| {
                people::begin_session(db, id, &hash, &address, &device, now_ms).doing("beginning a session")
            })
            .map_err(Problem::store)?;
        let what = format!("{} logged in from {}", account.name, peer.address);
        self.store.add_event(now_ms, "station", "log-in", &what).map_err(Problem::store)?;
        let who =
            Who { account: id, name: account.name.clone(), role: account.role, by: By::Session(session) };
        Ok((ticket, who))
    }

    /// Makes the first owner by the code from the terminal, and logs them in.
    ///
    /// # Errors
    /// Another code, an owner is there, a weak password.
    pub async fn first_owner(
        self: &std::sync::Arc<Self>,
        code: String,
        log_in: LogIn,
        peer: Peer,
        now_ms: i64,
    ) -> Result<(Ticket, Who), Problem> {
        let keys = Door::keys(&peer, "first owner");
        let keys = self
            .blocking(move |door| {
                door.wait_for(&keys, now_ms)?;
                Ok(keys)
            })
            .await?;
        let right = *self.first_code.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(right) = right else {
            return Err(Problem::conflict(
                "There is an owner already. Log in, or ask the owner for an account.",
            ));
        };
        if !ticket::same(&right, &ticket::hash(&ticket::as_compared(&code))) {
            self.blocking(move |door| {
                door.wrong(&keys, format!("wrong code for the first account from {}", peer.address), now_ms)
            })
            .await?;
            return Err(Problem::not_allowed(
                "This is not the code that the station printed when it started. Start it again for a new one.",
            ));
        }
        let hash = self.new_hash(&log_in.name, log_in.password).await?;
        self.blocking(move |door| {
            let (name, device) = (log_in.name, log_in.device);
            let made = {
                let name = name.clone();
                door.store
                    .write(move |db| {
                        people::add_first_owner(db, &name, &hash, now_ms).doing("making the first account")
                    })
                    .map_err(Problem::store)?
            };
            let Some(id) = made else {
                return Err(Problem::conflict(
                    "There is an owner already. Log in, or ask the owner for an account.",
                ));
            };
            *door.first_code.lock().unwrap_or_else(PoisonError::into_inner) = None;
            let what = format!("{name} became the first owner, from {}", peer.address);
            door.store.add_event(now_ms, "station", "account", &what).map_err(Problem::store)?;
            let account = door.account(id)?;
            let answer = door.begin(&account, peer, device, now_ms);
            door.has_owner.send_replace(true);
            answer
        })
        .await
    }

    /// The hash of a new password, if name and password will do.
    ///
    /// # Errors
    /// They will not, or too many are hashing.
    pub async fn new_hash(&self, name: &str, password: Password) -> Result<String, Problem> {
        if let Some(fault) = name_fault(name) {
            return Err(Problem::not_possible(format!("The name will not do: {fault}.")));
        }
        if let Some(weakness) = weakness(&password, name) {
            return Err(Problem::not_possible(format!("The password will not do: {weakness}.")));
        }
        self.hasher.hash(password).await.map_err(tired)
    }

    /// Whether this is the password of an account, asked of somebody who is logged in. Wrong ones are counted as in logging in.
    ///
    /// # Errors
    /// It is not, or too early.
    pub async fn confirm(
        self: &std::sync::Arc<Self>,
        who: &Who,
        password: Password,
        peer: Peer,
        now_ms: i64,
    ) -> Result<(), Problem> {
        let keys = Door::keys(&peer, &who.name);
        let id = who.account;
        let (account, keys) = self
            .blocking(move |door| {
                door.wait_for(&keys, now_ms)?;
                Ok((door.account(id)?, keys))
            })
            .await?;
        if self.hasher.verify(password, Some(account.password_hash)).await.map_err(tired)? {
            return Ok(());
        }
        let what = format!("wrong password of {} in a session, from {}", account.name, peer.address);
        self.blocking(move |door| door.wrong(&keys, what, now_ms)).await?;
        Err(Problem::not_allowed("The password is wrong. Type the one that you log in with."))
    }

    /// An account that must be there.
    ///
    /// # Errors
    /// It is not.
    pub fn account(&self, id: i64) -> Result<Account, Problem> {
        self.store
            .read(|db| people::account(db, id).doing("reading an account"))
            .map_err(Problem::store)?
            .ok_or_else(|| Problem::not_found("There is no such account."))
    }

    /// How long sessions live.
    pub fn life(&self) -> SessionLife {
        self.life
    }
}
