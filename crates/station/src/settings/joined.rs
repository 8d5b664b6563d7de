//! `[[joined]]` of the station file: controllers that somebody built, which are only listened to.

use std::path::PathBuf;
use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::{BoardSettings, Reader};

/// Controllers that a station can join: each takes a thread or two.
pub const MOST_JOINED: usize = 16;
/// Bits a second of a serial port where the file gives none.
const USUAL_BAUD: u32 = 115_200;
/// Nothing understood for so long is an alarm, where the file says nothing else.
const USUAL_SILENT: Duration = Duration::from_secs(300);

/// A controller that is listened to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JoinedSettings {
    /// Name, unique among boards and joined ones.
    pub name: String,
    /// The system file whose rules run in shadow beside it.
    pub system: PathBuf,
    /// The map of what it prints.
    pub map: PathBuf,
    /// How it is heard.
    pub line: JoinedLine,
    /// Nothing understood for so long is an alarm.
    pub silent: Duration,
}

/// How a joined controller is heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JoinedLine {
    /// A serial port.
    Serial {
        /// Its path.
        path: String,
        /// Bits a second.
        baud: u32,
    },
    /// A TCP connection to it, `host:port`.
    Tcp(String),
    /// A topic filter of the broker of `[tell.mqtt]`.
    Mqtt(String),
}

impl std::fmt::Display for JoinedLine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            JoinedLine::Serial { path, baud } => write!(f, "serial port {path} at {baud} bit/s"),
            JoinedLine::Tcp(address) => write!(f, "network address {address}"),
            JoinedLine::Mqtt(filter) => write!(f, "MQTT topic {filter}"),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawJoined {
    name: Spanned<String>,
    system: PathBuf,
    map: PathBuf,
    line: Spanned<String>,
    baud: Option<Spanned<u32>>,
    silent: Option<Spanned<String>>,
}

impl Reader<'_> {
    pub(super) fn joined(
        &mut self,
        raw: Vec<RawJoined>,
        boards: &[BoardSettings],
        tell: &tell::Settings,
    ) -> Vec<JoinedSettings> {
        let mut all: Vec<JoinedSettings> = vec![];
        for joined in raw {
            let name = joined.name.get_ref().clone();
            let is_word = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
            if name.is_empty() || name.len() > 40 || !is_word {
                self.wrong(
                    "bad-name",
                    joined.name.span(),
                    format!("`{name}` is no name of a joined controller"),
                    "letters, digits, `_` and `-`, at most 40 of them",
                );
            }
            let is_taken = name == "station"
                || boards.iter().any(|board| board.name == name)
                || all.iter().any(|other| other.name == name);
            if is_taken {
                self.wrong(
                    "duplicate-name",
                    joined.name.span(),
                    format!("`{name}` is the name of something else"),
                    "the log tells them by their names: give each its own",
                );
            }
            if all.len() == MOST_JOINED {
                self.wrong(
                    "out-of-range",
                    joined.name.span(),
                    "the file joins too many controllers".to_owned(),
                    "a station joins at most 16",
                );
                break;
            }
            let Some(line) = self.joined_line(&joined, tell) else { continue };
            if let (Some(baud), false) = (&joined.baud, matches!(line, JoinedLine::Serial { .. })) {
                self.wrong(
                    "unknown-key",
                    baud.span(),
                    "only a serial line has `baud`".to_owned(),
                    "leave it out",
                );
            }
            all.push(JoinedSettings {
                name,
                system: self.folder.join(&joined.system),
                map: self.folder.join(&joined.map),
                line,
                silent: self.time(joined.silent, USUAL_SILENT),
            });
        }
        all
    }

    fn joined_line(&mut self, joined: &RawJoined, tell: &tell::Settings) -> Option<JoinedLine> {
        const HELP: &str = "`serial:/dev/ttyUSB0` with baud = 9600, `tcp:192.168.1.40:23`, or `mqtt:reef/#` by the broker of [tell.mqtt]";
        let text = joined.line.get_ref();
        let (kind, rest) = text.split_once(':').unwrap_or((text, ""));
        match kind {
            "serial" if !rest.is_empty() => {
                let baud = joined.baud.as_ref().map_or(USUAL_BAUD, |baud| *baud.get_ref());
                if !(300..=2_000_000).contains(&baud) {
                    let span = joined.baud.as_ref().map_or(joined.line.span(), Spanned::span);
                    self.wrong(
                        "out-of-range",
                        span,
                        format!("{baud} is no speed of a serial line"),
                        "300 to 2000000",
                    );
                }
                Some(JoinedLine::Serial { path: rest.to_owned(), baud })
            }
            "tcp" => {
                let port = rest.rsplit_once(':').and_then(|(host, port)| (!host.is_empty()).then_some(port));
                if port.and_then(|port| port.parse::<u16>().ok()).is_none_or(|port| port == 0) {
                    self.wrong(
                        "unknown-word",
                        joined.line.span(),
                        format!("`{text}` has no host and port"),
                        HELP,
                    );
                    return None;
                }
                Some(JoinedLine::Tcp(rest.to_owned()))
            }
            "mqtt" => {
                if !tell::mqtt::is_filter(rest) {
                    let message = format!("`{rest}` is no topic filter of MQTT");
                    self.wrong(
                        "unknown-word",
                        joined.line.span(),
                        message,
                        "such as `reef/+/state` or `reef/#`",
                    );
                    return None;
                }
                if tell.mqtt.is_none() {
                    self.wrong(
                        "missing-key",
                        joined.line.span(),
                        format!("`{text}` needs a broker, and the file names none"),
                        "add [tell.mqtt] with its server: docs/tell.md",
                    );
                }
                Some(JoinedLine::Mqtt(rest.to_owned()))
            }
            _ => {
                let message = format!("`{text}` is no line to a joined controller");
                self.wrong("unknown-word", joined.line.span(), message, HELP);
                None
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::time::Duration;

    use super::super::load;
    use super::JoinedLine;

    const BOARD: &str = "[[board]]\nname = \"reef\"\nsystem = \"s.toml\"\nline = \"virtual\"\n";
    const JOINED: &str =
        "[[joined]]\nname = \"old\"\nsystem = \"s.toml\"\nmap = \"m.toml\"\nline = \"tcp:reef:23\"\n";
    const BROKER: &str = "[tell.mqtt]\nserver = \"localhost\"\nsite = \"lane\"\n";

    #[test]
    fn what_is_joined_is_read() {
        let serial = JOINED.replace("tcp:reef:23", "serial:/dev/ttyUSB0").replace("old", "older");
        let mqtt = JOINED.replace("tcp:reef:23", "mqtt:reef/+/state").replace("old", "oldest");
        let text = format!("{BOARD}{JOINED}silent = \"2 min\"\n{serial}baud = 9600\n{mqtt}{BROKER}");
        let (settings, findings) = load(&text, Path::new("folder"));
        assert_eq!(findings, []);
        let joined = settings.expect("nothing is wrong").joined;
        assert_eq!(joined[0].line, JoinedLine::Tcp("reef:23".to_owned()));
        assert_eq!(
            (joined[0].silent, joined[1].silent),
            (Duration::from_secs(120), Duration::from_secs(300))
        );
        assert_eq!(joined[0].map, Path::new("folder/m.toml"));
        assert_eq!(joined[1].line, JoinedLine::Serial { path: "/dev/ttyUSB0".to_owned(), baud: 9_600 });
        assert_eq!(joined[2].line, JoinedLine::Mqtt("reef/+/state".to_owned()));
    }

    #[test]
    fn mistakes_are_findings() {
        for (joined, id) in [
            (JOINED.replace("old", "reef"), "duplicate-name"),
            (JOINED.replace("old", "station"), "duplicate-name"),
            (format!("{JOINED}{JOINED}"), "duplicate-name"),
            (JOINED.replace("old", "the old one"), "bad-name"),
            (JOINED.replace("tcp:reef:23", "tcp:reef"), "unknown-word"),
            (JOINED.replace("tcp:reef:23", "tcp:reef:0"), "unknown-word"),
            (JOINED.replace("tcp:reef:23", "smoke"), "unknown-word"),
            (JOINED.replace("tcp:reef:23", "mqtt:reef/#"), "missing-key"),
            (format!("{}{BROKER}", JOINED.replace("tcp:reef:23", "mqtt:#/reef")), "unknown-word"),
            (format!("{JOINED}baud = 9600"), "unknown-key"),
            (format!("{}baud = 3", JOINED.replace("tcp:reef:23", "serial:COM3")), "out-of-range"),
            (format!("{JOINED}silent = \"1 s\""), "out-of-range"),
            (JOINED.replace("map =", "mapp ="), "unknown-key"),
        ] {
            let findings = load(&format!("{BOARD}{joined}"), Path::new("folder")).1;
            let ids: Vec<&str> = findings.iter().map(|finding| finding.id).collect();
            assert_eq!(ids, [id], "{joined}");
        }
    }
}
