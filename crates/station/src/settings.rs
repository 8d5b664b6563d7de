//! The station file `station.toml`: text -> raw (unknown keys rejected) -> [`Settings`], with findings as those of the system file.
//!
//! No secret stands in it: passwords and keys are named by file or by a variable of the environment. docs/station.md has every key.

mod joined;

use std::net::SocketAddr;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::Deserialize;
use system::{Diagnostic, Level};
use tell::SecretPlace;
use toml::Spanned;
use units::{Kind, Quantity};

use joined::RawJoined;
pub use joined::{JoinedLine, JoinedSettings, MOST_JOINED};

/// Port of TLS where the file gives none. (Chosen: unassigned by IANA, no system port.)
pub const FAR_PORT: u16 = 7443;
/// Port on the machine itself where the file gives none.
pub const HERE_PORT: u16 = 7480;
/// Longest file that is read, bytes.
const LONGEST: u64 = 1 << 20;
/// Boards that a station can have: each takes a thread.
pub const MOST_BOARDS: usize = 64;

/// Everything that the station file says, resolved: paths are whole, what was left out has its usual value.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Name of the station, for titles, certificates and messages.
    pub name: String,
    /// Folder of the store, the certificate and backups.
    pub data: PathBuf,
    /// The boards; at least one.
    pub boards: Vec<BoardSettings>,
    /// Controllers that are only listened to.
    pub joined: Vec<JoinedSettings>,
    /// How the page and the API are reached.
    pub http: HttpSettings,
    /// What is kept for how long.
    pub retention: Retention,
    /// Limits of the station's own checks.
    pub checks: alarms::watch::Settings,
    /// How people are told.
    pub tell: tell::Settings,
    /// Folder from which the paths of the file are counted.
    pub folder: PathBuf,
}

/// One board.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardSettings {
    /// Name, unique.
    pub name: String,
    /// Its system file.
    pub system: PathBuf,
    /// How it is reached.
    pub line: Line,
    /// A record of every n-th scan.
    pub every: u8,
    /// The station studies it with the values that were fitted to its log.
    pub fitted: bool,
}

/// How a board is reached.
#[derive(Clone, Debug, PartialEq)]
pub enum Line {
    /// A serial port by its path.
    Serial(String),
    /// A serial port by what is plugged in.
    Usb {
        /// Vendor and product.
        id: (u16, u16),
        /// Serial number, where there are several.
        serial: Option<String>,
    },
    /// Over the network, with a key.
    Tcp {
        /// Name or address.
        host: String,
        /// TCP port.
        port: u16,
        /// Where the key stands.
        key: SecretPlace,
        /// It is a board of software that lives so many times as fast as life, in a time of its own.
        speed: Option<f64>,
    },
    /// A board of software, the twin behind it.
    Virtual {
        /// Times as fast as life.
        speed: f64,
        /// Time that it has lived when it is first started, while somebody tended it.
        history: Duration,
        /// What went wrong in that time.
        faults: Vec<PastFault>,
    },
}

impl Line {
    /// A board of software, here or in another process: it may live in a time of its own.
    pub fn is_software(&self) -> bool {
        matches!(self, Line::Virtual { .. } | Line::Tcp { speed: Some(_), .. })
    }
}

/// A fault in the history of a virtual board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastFault {
    /// Its name in the FMEA.
    pub fault: String,
    /// It struck so long before the first start.
    pub ago: Duration,
    /// It was mended after so long.
    pub lasts: Duration,
}

/// How the page and the API are reached.
#[derive(Clone, Debug, PartialEq)]
pub struct HttpSettings {
    /// Port on the machine itself, plain HTTP; open always.
    pub here_port: u16,
    /// Address for others; open once there is an owner. None: the machine itself only.
    pub listen: Option<SocketAddr>,
    /// Names under which others reach it, beside its addresses.
    pub names: Vec<String>,
    /// How what goes to others is sealed.
    pub tls: TlsChoice,
    /// A session ends after so long without a request.
    pub session_idle: Duration,
    /// A session ends after so long in any case.
    pub session_longest: Duration,
}

/// How what goes to others is sealed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TlsChoice {
    /// A certificate that the station makes for itself.
    Generated,
    /// The keeper's own.
    Own {
        /// PEM, the station's certificate first.
        certificate: PathBuf,
        /// PEM.
        key: PathBuf,
    },
    /// Something in front of the station does it.
    InFront,
}

/// What is kept for how long; `None` for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Retention {
    /// Every sample.
    pub samples: Option<Duration>,
    /// Minimum, maximum and mean of each minute; those of each hour are kept for ever.
    pub minutes: Option<Duration>,
}

const DAY: Duration = Duration::from_secs(86_400);

impl Default for Retention {
    fn default() -> Self {
        Retention { samples: Some(DAY * 730), minutes: Some(DAY * 3650) }
    }
}

impl Default for HttpSettings {
    fn default() -> Self {
        HttpSettings {
            here_port: HERE_PORT,
            listen: None,
            names: vec![],
            tls: TlsChoice::Generated,
            session_idle: DAY * 7,
            session_longest: DAY * 30,
        }
    }
}

/// What came of reading a station file.
#[derive(Debug)]
pub struct Loaded {
    /// The text, for showing findings; empty when it cannot be read.
    pub source: String,
    /// The settings, if nothing is wrong.
    pub settings: Option<Settings>,
    /// What was found.
    pub findings: Vec<Diagnostic>,
}

impl Settings {
    /// The settings without a station file: one system on a virtual board, the machine itself only.
    pub fn virtual_board(system: &Path, name: &str, data: PathBuf) -> Settings {
        Settings {
            name: name.to_owned(),
            data,
            boards: vec![BoardSettings {
                name: "board".to_owned(),
                system: system.to_owned(),
                line: Line::Virtual { speed: 1.0, history: Duration::ZERO, faults: vec![] },
                every: 1,
                fitted: false,
            }],
            joined: vec![],
            http: HttpSettings::default(),
            retention: Retention::default(),
            checks: alarms::watch::Settings::default(),
            tell: tell::Settings::default(),
            folder: PathBuf::new(),
        }
    }
}

/// Where the data go when nobody says: `tidewright` in the user's state folder (XDG Base Directory Specification 0.8).
pub fn state_folder() -> Option<PathBuf> {
    let absolute = |name| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let base = absolute("XDG_STATE_HOME").or_else(|| absolute("HOME").map(|home| home.join(".local/state")));
    base.map(|base| base.join("tidewright"))
}

/// Whether a text is meant as a station file rather than as a system file.
pub fn is_station_file(text: &str) -> bool {
    let (document, _) = toml::de::DeTable::parse_recoverable(text);
    let document = document.get_ref();
    document.contains_key("station")
        || document.contains_key("http")
        || (document.get("board").and_then(|board| board.get_ref().as_array())).is_some_and(|boards| {
            boards
                .iter()
                .any(|board| board.get_ref().as_table().is_some_and(|board| board.contains_key("line")))
        })
}

/// Reads a station file from disk.
pub fn load_file(path: &Path) -> Loaded {
    let failed = |finding| Loaded { source: String::new(), settings: None, findings: vec![finding] };
    let unreadable = |what: String| {
        failed(
            Diagnostic::error("unreadable-file", format!("cannot read `{}`: {what}", path.display()))
                .help("check the path and who may read it; docs/station.md has a station file to begin with"),
        )
    };
    match std::fs::metadata(path) {
        Err(error) => return unreadable(error.to_string()),
        Ok(meta) if meta.len() > LONGEST => {
            return unreadable(format!("{} bytes are no station file", meta.len()));
        }
        Ok(_) => {}
    }
    match std::fs::read_to_string(path) {
        Err(error) => unreadable(error.to_string()),
        Ok(text) => {
            let folder = path.parent().unwrap_or(Path::new("")).to_owned();
            let (settings, findings) = load(&text, &folder);
            Loaded { source: text, settings, findings }
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    #[serde(default)]
    station: RawStation,
    #[serde(default)]
    board: Vec<Spanned<RawBoard>>,
    #[serde(default)]
    joined: Vec<RawJoined>,
    #[serde(default)]
    http: RawHttp,
    #[serde(default)]
    retention: RawRetention,
    #[serde(default)]
    checks: alarms::watch::Settings,
    #[serde(default)]
    tell: Option<Spanned<tell::Settings>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawStation {
    name: Option<Spanned<String>>,
    data: Option<PathBuf>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBoard {
    name: Spanned<String>,
    system: PathBuf,
    line: Spanned<String>,
    key: Option<Spanned<SecretPlace>>,
    speed: Option<Spanned<f64>>,
    history: Option<Spanned<String>>,
    #[serde(default)]
    faults: Vec<RawFault>,
    every: Option<Spanned<u8>>,
    #[serde(default)]
    fitted: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFault {
    fault: String,
    ago: Spanned<String>,
    lasts: Spanned<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawHttp {
    here_port: Option<u16>,
    listen: Option<Spanned<String>>,
    #[serde(default)]
    names: Vec<Spanned<String>>,
    tls: Option<Spanned<RawTls>>,
    session_idle: Option<Spanned<String>>,
    session_longest: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum RawTls {
    Word(String),
    Own(RawOwnTls),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawOwnTls {
    certificate: PathBuf,
    key: PathBuf,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawRetention {
    samples: Option<Spanned<String>>,
    minutes: Option<Spanned<String>>,
}

/// Reads a station file; `folder` is where its relative paths begin.
pub fn load(text: &str, folder: &Path) -> (Option<Settings>, Vec<Diagnostic>) {
    let raw: RawFile = match toml::from_str(text) {
        Ok(raw) => raw,
        Err(error) => return (None, vec![unreadable(&error, text)]),
    };
    let mut reader = Reader { findings: vec![], folder };
    reader.interval(text);
    let settings = reader.settings(raw);
    let is_sound = reader.findings.iter().all(|finding| finding.level != Level::Error);
    (is_sound.then_some(settings), reader.findings)
}

/// The finding of what the reader of TOML says.
fn unreadable(error: &toml::de::Error, text: &str) -> Diagnostic {
    let span = error.span().unwrap_or(text.len()..text.len());
    let message = error.message().lines().next().unwrap_or("this is not TOML").trim_end_matches('.');
    if let Some(rest) = message.strip_prefix("unknown field ") {
        let (key, known) = rest.split_once(", ").unwrap_or((rest, ""));
        return Diagnostic::error("unknown-key", format!("{key} is no key here")).at(Some(span), "").help(
            if known.is_empty() { "docs/station.md lists the keys".to_owned() } else { known.to_owned() },
        );
    }
    if let Some(key) = message.strip_prefix("missing field ") {
        return Diagnostic::error("missing-key", format!("{key} must be there")).at(Some(span), "");
    }
    let id = if message.starts_with("invalid type") || message.starts_with("invalid value") {
        "wrong-type"
    } else {
        "bad-toml"
    };
    Diagnostic::error(id, format!("this cannot be read: {message}"))
        .at(Some(span), "")
        .help("a line is `key = value`; texts and quantities stand in quotes; docs/station.md lists the keys")
}

struct Reader<'a> {
    findings: Vec<Diagnostic>,
    folder: &'a Path,
}

impl Reader<'_> {
    fn wrong(&mut self, id: &'static str, span: Range<usize>, message: String, help: &str) {
        self.findings.push(Diagnostic::error(id, message).at(Some(span), "").help(help));
    }

    /// The checks are set to the interval of each board; one for all of them would be overridden.
    fn interval(&mut self, text: &str) {
        let (document, _) = toml::de::DeTable::parse_recoverable(text);
        let checks = document.get_ref().get("checks").and_then(|checks| checks.get_ref().as_table());
        if let Some(interval) = checks.and_then(|checks| checks.get("interval_s")) {
            self.wrong(
                "unknown-key",
                interval.span(),
                "`interval_s` is no key here: it follows from the scan and the `every` of each board"
                    .to_owned(),
                "leave it out; `every` of a [[board]] thins its records",
            );
        }
    }

    fn settings(&mut self, raw: RawFile) -> Settings {
        let usual = HttpSettings::default();
        let name = match raw.station.name {
            None => "Tidewright station".to_owned(),
            Some(name) => {
                let n = name.get_ref().trim().chars().count();
                if n == 0 || n > 60 || name.get_ref().chars().any(char::is_control) {
                    self.wrong(
                        "bad-name",
                        name.span(),
                        "the station's name needs 1 to 60 characters".to_owned(),
                        "a place or a tank: `Harbour Lane`",
                    );
                }
                name.into_inner().trim().to_owned()
            }
        };
        let boards = self.boards(raw.board);
        let http = raw.http;
        let listen = http.listen.and_then(|text| self.address(&text));
        let tls = match http.tls {
            None => TlsChoice::Generated,
            Some(tls) => self.tls(tls),
        };
        let names = http.names.into_iter().filter_map(|name| self.host_name(name)).collect();
        let session_idle = self.time(http.session_idle, usual.session_idle);
        let session_longest = self.time(http.session_longest, usual.session_longest);
        let usual_retention = Retention::default();
        let retention = Retention {
            samples: self.keep(raw.retention.samples, usual_retention.samples),
            minutes: self.keep(raw.retention.minutes, usual_retention.minutes),
        };
        let mut tell = tell::Settings::default();
        if let Some(told) = raw.tell {
            for finding in told.get_ref().findings() {
                self.wrong("bad-telling", told.span(), finding, "docs/tell.md has every key of [tell]");
            }
            tell = told.into_inner();
        }
        let joined = self.joined(raw.joined, &boards, &tell);
        let data = match raw.station.data {
            Some(data) => self.folder.join(data),
            None => state_folder().unwrap_or_else(|| self.folder.join("tidewright-data")),
        };
        Settings {
            name,
            data,
            boards,
            joined,
            http: HttpSettings {
                here_port: http.here_port.unwrap_or(HERE_PORT),
                listen,
                names,
                tls,
                session_idle,
                session_longest,
            },
            retention,
            checks: raw.checks,
            tell,
            folder: self.folder.to_owned(),
        }
    }

    fn boards(&mut self, raw: Vec<Spanned<RawBoard>>) -> Vec<BoardSettings> {
        if raw.is_empty() {
            let finding = Diagnostic::error("no-board", "the file names no board").help(
                "begin with a virtual one: [[board]] name = \"reef\", system = \"system.toml\", line = \"virtual\"",
            );
            self.findings.push(finding);
        }
        if let Some(beyond) = raw.get(MOST_BOARDS) {
            self.wrong(
                "out-of-range",
                beyond.span(),
                format!("the file names {} boards", raw.len()),
                "a station has at most 64 boards: share them between two",
            );
        }
        let mut boards: Vec<BoardSettings> = vec![];
        for board in raw {
            let board = board.into_inner();
            let name = board.name.get_ref().clone();
            let is_word = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
            if name.is_empty() || name.len() > 40 || !is_word {
                self.wrong(
                    "bad-name",
                    board.name.span(),
                    format!("`{name}` is no name of a board"),
                    "letters, digits, `_` and `-`, at most 40 of them",
                );
            }
            if boards.iter().any(|other| other.name == name) {
                self.wrong(
                    "duplicate-name",
                    board.name.span(),
                    format!("two boards are named `{name}`"),
                    "the log tells boards by their names",
                );
            }
            if let Some(every) = board.every.as_ref().filter(|every| *every.get_ref() == 0) {
                self.wrong(
                    "not-positive",
                    every.span(),
                    "`every` is 0: nothing would be recorded".to_owned(),
                    "1 records every scan",
                );
            }
            let every = board.every.as_ref().map_or(1, |every| *every.get_ref());
            let system = self.folder.join(&board.system);
            if let Some(line) = self.line(&board) {
                boards.push(BoardSettings { name, system, line, every, fitted: board.fitted });
            }
        }
        boards
    }

    fn line(&mut self, board: &RawBoard) -> Option<Line> {
        const HELP: &str = "`serial:/dev/ttyUSB0` or `usb:1a86:7523` for a cable, `tcp:192.0.2.7` for a network, `virtual` for a board of software";
        let text = board.line.get_ref();
        let (kind, rest) = text.split_once(':').unwrap_or((text, ""));
        let mut unfit: Vec<(&str, Range<usize>)> = vec![];
        if kind != "tcp" {
            unfit.extend(board.key.as_ref().map(|key| ("key", key.span())));
        }
        if !matches!(kind, "virtual" | "tcp") {
            unfit.extend(board.speed.as_ref().map(|speed| ("speed", speed.span())));
        }
        if kind != "virtual" {
            unfit.extend(board.history.as_ref().map(|history| ("history", history.span())));
            unfit.extend(board.faults.first().map(|first| ("faults", first.ago.span())));
        }
        for (key, span) in unfit {
            self.wrong(
                "conflicting-keys",
                span,
                format!("`{key}` has no use on this line"),
                "`key` goes with tcp, `speed` with virtual and tcp, `history` and `faults` with virtual",
            );
        }
        match kind {
            "serial" if !rest.is_empty() => Some(Line::Serial(rest.to_owned())),
            "usb" => {
                let mut words = rest.splitn(3, ':');
                let mut number = || u16::from_str_radix(words.next()?, 16).ok();
                let Some(id) = number().zip(number()) else {
                    self.wrong(
                        "unknown-word",
                        board.line.span(),
                        format!("`{text}` names no USB part"),
                        HELP,
                    );
                    return None;
                };
                Some(Line::Usb { id, serial: words.next().map(str::to_owned) })
            }
            "tcp" if !rest.is_empty() => {
                // An IPv6 address stands in brackets when a port follows.
                let (host, port) = match rest.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
                    Some((host, port)) => (host, port.strip_prefix(':')),
                    None if rest.matches(':').count() > 1 => (rest, None),
                    None => rest.split_once(':').map_or((rest, None), |(host, port)| (host, Some(port))),
                };
                let port = match port.map(str::parse::<u16>) {
                    None => link::transport::TCP_PORT,
                    Some(Ok(port)) if port > 0 => port,
                    Some(_) => {
                        self.wrong("out-of-range", board.line.span(), format!("`{text}` has no port"), HELP);
                        return None;
                    }
                };
                let Some(key) = &board.key else {
                    self.wrong(
                        "missing-key",
                        board.line.span(),
                        format!("board `{}` has no key", board.name.get_ref()),
                        "over the network a board wants its key: key = { file = \"reef.key\" }",
                    );
                    return None;
                };
                let key = match key.get_ref() {
                    SecretPlace::File(path) => SecretPlace::File(self.folder.join(path)),
                    SecretPlace::Env(name) => SecretPlace::Env(name.clone()),
                };
                Some(Line::Tcp { host: host.to_owned(), port, key, speed: self.speed(board) })
            }
            "virtual" if rest.is_empty() => {
                let speed = self.speed(board).unwrap_or(1.0);
                let history = board
                    .history
                    .as_ref()
                    .map_or(Duration::ZERO, |history| self.time(Some(history.clone()), DAY));
                let faults = (board.faults.iter())
                    .map(|past| PastFault {
                        fault: past.fault.clone(),
                        ago: self.time(Some(past.ago.clone()), DAY),
                        lasts: self.time(Some(past.lasts.clone()), DAY),
                    })
                    .collect::<Vec<_>>();
                if let Some((past, at)) =
                    faults.iter().zip(&board.faults).find(|(past, _)| past.ago > history)
                {
                    self.wrong(
                        "out-of-range",
                        at.ago.span(),
                        format!("`{}` would strike before the history begins", past.fault),
                        "make `history` longer or `ago` shorter",
                    );
                }
                Some(Line::Virtual { speed, history, faults })
            }
            _ => {
                self.wrong(
                    "unknown-word",
                    board.line.span(),
                    format!("`{text}` is no line to a board"),
                    HELP,
                );
                None
            }
        }
    }

    /// The speed of a board of software.
    fn speed(&mut self, board: &RawBoard) -> Option<f64> {
        let speed = board.speed.as_ref()?;
        let times = *speed.get_ref();
        if !(0.1..=10_000.0).contains(&times) {
            self.wrong(
                "out-of-range",
                speed.span(),
                format!("a virtual board cannot run {times} times as fast as life"),
                "0.1 to 10000",
            );
        }
        Some(times)
    }

    fn address(&mut self, text: &Spanned<String>) -> Option<SocketAddr> {
        let written = text.get_ref();
        let address = written
            .parse::<SocketAddr>()
            .ok()
            .or_else(|| written.parse().ok().map(|address| SocketAddr::new(address, FAR_PORT)));
        if address.is_none_or(|address| address.port() == 0) {
            self.wrong(
                "bad-address",
                text.span(),
                format!("`{written}` is no address to listen on"),
                "`0.0.0.0:7443` for every network of the machine, `[::]:7443` with IPv6, or one address of it",
            );
        }
        address
    }

    fn tls(&mut self, tls: Spanned<RawTls>) -> TlsChoice {
        let span = tls.span();
        match tls.into_inner() {
            RawTls::Own(own) => TlsChoice::Own {
                certificate: self.folder.join(own.certificate),
                key: self.folder.join(own.key),
            },
            RawTls::Word(word) => match word.as_str() {
                "generated" => TlsChoice::Generated,
                "in-front" => TlsChoice::InFront,
                _ => {
                    self.wrong(
                        "unknown-word",
                        span,
                        format!("`{word}` is no way of TLS"),
                        "`generated`, `in-front`, or { certificate = \"x.pem\", key = \"x-key.pem\" }",
                    );
                    TlsChoice::Generated
                }
            },
        }
    }

    fn host_name(&mut self, name: Spanned<String>) -> Option<String> {
        let text = name.get_ref().to_ascii_lowercase();
        let is_name = !text.is_empty()
            && text.len() <= 253
            && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '.')
            && !text.starts_with(['-', '.'])
            && !text.ends_with(['-', '.']);
        if !is_name {
            self.wrong(
                "bad-name",
                name.span(),
                format!("`{}` is no name of a machine", name.get_ref()),
                "without scheme and port: `reef.home.arpa`",
            );
            return None;
        }
        Some(text)
    }

    fn time(&mut self, text: Option<Spanned<String>>, usual: Duration) -> Duration {
        let Some(text) = text else { return usual };
        match Quantity::parse_as(text.get_ref(), Kind::Time) {
            // Ten years: beyond it a time is a slip.
            Ok(time) if (60.0..=315_576_000.0).contains(&time.value) => Duration::from_secs_f64(time.value),
            Ok(_) => {
                self.wrong(
                    "out-of-range",
                    text.span(),
                    format!("`{}` is no time for this", text.get_ref()),
                    "1 min to 10 years",
                );
                usual
            }
            Err(error) => {
                self.wrong(
                    "unreadable-quantity",
                    text.span(),
                    error.to_string(),
                    "a time with its unit: `30 days`",
                );
                usual
            }
        }
    }

    fn keep(&mut self, text: Option<Spanned<String>>, usual: Option<Duration>) -> Option<Duration> {
        match text {
            None => usual,
            Some(text) if text.get_ref() == "for ever" => None,
            Some(text) => {
                let span = text.span();
                let time = self.time(Some(text), DAY);
                if time < DAY {
                    self.wrong(
                        "out-of-range",
                        span,
                        "less than a day is kept".to_owned(),
                        "at least `1 day`",
                    );
                }
                Some(time)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ids(text: &str) -> Vec<&'static str> {
        load(text, Path::new("folder")).1.iter().map(|finding| finding.id).collect()
    }

    const WHOLE: &str = r#"
        [station]
        name = "Harbour Lane"
        data = "data"
        [[board]]
        name = "reef"
        system = "system.toml"
        line = "serial:/dev/ttyUSB0"
        [[board]]
        name = "far"
        system = "far.toml"
        line = "tcp:[2001:db8::7]:7000"
        key = { file = "far.key" }
        every = 10
        fitted = true
        [[board]]
        name = "twin"
        system = "system.toml"
        line = "virtual"
        speed = 1000.0
        [http]
        listen = "0.0.0.0"
        names = ["Reef.home.arpa"]
        tls = { certificate = "c.pem", key = "/etc/k.pem" }
        session_idle = "2 h"
        [retention]
        samples = "90 days"
        minutes = "for ever"
    "#;

    #[test]
    fn a_whole_file_is_read_with_its_usual_values() {
        let (settings, findings) = load(WHOLE, Path::new("folder"));
        assert_eq!(findings, []);
        let settings = settings.expect("nothing is wrong");
        assert_eq!(settings.data, Path::new("folder/data"));
        assert_eq!(settings.boards[0].line, Line::Serial("/dev/ttyUSB0".to_owned()));
        let key = SecretPlace::File("folder/far.key".into());
        assert_eq!(
            settings.boards[1].line,
            Line::Tcp { host: "2001:db8::7".to_owned(), port: 7000, key, speed: None }
        );
        assert_eq!(settings.boards[1].every, 10);
        assert_eq!(settings.boards.iter().map(|b| b.fitted).collect::<Vec<_>>(), [false, true, false]);
        assert_eq!(
            settings.boards[2].line,
            Line::Virtual { speed: 1000.0, history: Duration::ZERO, faults: vec![] }
        );
        assert_eq!(settings.http.listen, Some(SocketAddr::from(([0, 0, 0, 0], FAR_PORT))));
        assert_eq!(settings.http.names, ["reef.home.arpa"]);
        assert_eq!(settings.http.session_idle, Duration::from_secs(7200));
        assert_eq!(
            settings.http.tls,
            TlsChoice::Own { certificate: "folder/c.pem".into(), key: "/etc/k.pem".into() }
        );
        assert_eq!(settings.retention.samples, Some(DAY * 90));
        assert_eq!(settings.retention.minutes, None);
    }

    #[test]
    fn mistakes_are_findings_with_a_place() {
        let board = "[[board]]\nname = \"reef\"\nsystem = \"s.toml\"\nline = \"virtual\"\n";
        for (text, id) in [
            ("", "no-board"),
            ("[[board]]\n", "missing-key"),
            ("x = 1", "unknown-key"),
            ("[http]\nlisen = \"0.0.0.0\"", "unknown-key"),
            ("[http", "bad-toml"),
            ("[station]\nname = 3", "wrong-type"),
            (&format!("{board}every = 0"), "not-positive"),
            (&format!("{board}speed = 1e9"), "out-of-range"),
            (&format!("{board}[checks]\ninterval_s = 5"), "unknown-key"),
            (
                &format!("{}key = {{ env = \"X\" }}\nspeed = 0.0", board.replace("virtual", "tcp:h")),
                "out-of-range",
            ),
            (&format!("{}speed = 2.0", board.replace("virtual", "serial:/dev/x")), "conflicting-keys"),
            (&format!("{board}key = {{ env = \"X\" }}"), "conflicting-keys"),
            (&board.replace("virtual", "usb:1a86"), "unknown-word"),
            (&format!("{board}{board}"), "duplicate-name"),
            (&board.replace("virtual", "bluetooth"), "unknown-word"),
            (&board.replace("virtual", "tcp:reef.home.arpa"), "missing-key"),
            (&board.replace("\"reef\"", "\"the reef\""), "bad-name"),
            (&format!("{board}[http]\nlisten = \"everywhere\""), "bad-address"),
            (&format!("{board}[http]\ntls = \"none\""), "unknown-word"),
            (&format!("{board}[http]\nnames = [\"https://reef\"]"), "bad-name"),
            (&format!("{board}[http]\nsession_idle = \"7\""), "unreadable-quantity"),
            (&format!("{board}[retention]\nsamples = \"10 min\""), "out-of-range"),
        ] {
            assert_eq!(ids(text), [id], "{text}");
        }
    }

    #[test]
    fn station_files_and_system_files_are_told_apart() {
        assert!(is_station_file(WHOLE));
        assert!(is_station_file("[[board]]\nline = \"virtual\""));
        assert!(!is_station_file("[system]\nname = \"x\"\n[[board]]\nchip = \"ATmega328P\""));
        assert!(!is_station_file("not toml"));
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "[\\[\\]a-z=\"\\n0-9 .:{}]{0,200}") {
            let _ = load(&text, Path::new(""));
            let _ = is_station_file(&text);
        }
    }
}
