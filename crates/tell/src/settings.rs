//! Settings of telling, as they stand in the station file under `[tell]`. Unknown keys are errors.

use serde::Deserialize;
use std::path::PathBuf;

use crate::Priority;
use crate::quiet::QuietHours;
use crate::secret::SecretPlace;

/// All ways of telling, and when.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Ways by mail.
    pub mail: Vec<Mail>,
    /// Ways by a signed HTTP request.
    pub webhook: Vec<Webhook>,
    /// The MQTT broker: messages, values and, where allowed, commands.
    pub mqtt: Option<Mqtt>,
    /// An address that is asked regularly, so that silence is noticed by whoever watches there.
    pub heartbeat: Option<Heartbeat>,
    /// When nobody is to be woken.
    pub quiet: QuietHours,
    /// How often what nobody acknowledged is told again.
    pub repeat: Repeat,
    /// Where to read what happened and to act, named in messages: such as `https://tank.example:7443`.
    pub address: Option<String>,
}

/// Which messages take a way.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, default)]
pub struct Share {
    /// From this priority on.
    pub from: Priority,
    /// Only what was told so many times and is still unacknowledged; 0: at once. For whoever is called when the first does not answer.
    pub after_tells: u32,
}

impl Default for Share {
    fn default() -> Share {
        Share { from: Priority::Medium, after_tells: 0 }
    }
}

/// A way by mail.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mail {
    /// Its name in the log and in `tell/test`.
    pub name: String,
    /// Host of the mail server.
    pub server: String,
    /// Its port; by default 587 with STARTTLS, 465 with TLS, 25 without.
    pub port: Option<u16>,
    /// How the line is kept private.
    #[serde(default)]
    pub security: Security,
    /// A root certificate (PEM) for a server of one's own, instead of the public ones.
    pub ca: Option<PathBuf>,
    /// User to log in with.
    pub user: Option<String>,
    /// Password to log in with.
    pub password: Option<SecretPlace>,
    /// Sender.
    pub from: String,
    /// Receivers; each gets a message of its own.
    pub to: Vec<String>,
    /// Which messages.
    #[serde(default)]
    pub share: Share,
}

/// Privacy of a mail connection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Security {
    /// Plain at first, then TLS; refused when the server does not offer it.
    #[default]
    Starttls,
    /// TLS from the first byte.
    Tls,
    /// Plain. Only for a server on the same machine.
    None,
}

/// A way by HTTP.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Webhook {
    /// Its name.
    pub name: String,
    /// Where to; `https`, or `http` to the same machine.
    pub url: String,
    /// Key of the signature.
    pub secret: SecretPlace,
    /// A root certificate (PEM) of one's own.
    pub ca: Option<PathBuf>,
    /// Which messages.
    #[serde(default)]
    pub share: Share,
}

/// The MQTT broker.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mqtt {
    /// Its name.
    #[serde(default = "mqtt_name")]
    pub name: String,
    /// Host.
    pub server: String,
    /// Port; by default 8883 with TLS, 1883 without.
    pub port: Option<u16>,
    /// Whether the line is TLS. Without it user, password and values are readable on the way.
    #[serde(default = "yes")]
    pub tls: bool,
    /// A root certificate (PEM) of one's own.
    pub ca: Option<PathBuf>,
    /// User.
    pub user: Option<String>,
    /// Password.
    pub password: Option<SecretPlace>,
    /// Second level of all topics: `tidewright/<site>/...`.
    pub site: String,
    /// Whether commands are taken from the broker. Each must carry a token of the station.
    #[serde(default)]
    pub commands: bool,
    /// Which messages.
    #[serde(default = "everything")]
    pub share: Share,
}

/// An address that is asked regularly.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heartbeat {
    /// Asked by GET.
    pub url: String,
    /// Seconds between two.
    #[serde(default = "heartbeat_s")]
    pub every_s: u64,
    /// A root certificate (PEM) of one's own.
    pub ca: Option<PathBuf>,
}

/// How often what nobody acknowledged is told again.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Repeat {
    /// Minutes until the first repetition; the time doubles from one to the next.
    pub after_min: u32,
    /// Longest time between two, minutes.
    pub at_most_min: u32,
    /// From this priority on; what is lower is told once.
    pub from: Priority,
}

impl Default for Repeat {
    fn default() -> Repeat {
        Repeat { after_min: 15, at_most_min: 240, from: Priority::Medium }
    }
}

fn mqtt_name() -> String {
    "mqtt".to_owned()
}

fn yes() -> bool {
    true
}

fn heartbeat_s() -> u64 {
    300
}

fn everything() -> Share {
    Share { from: Priority::Low, after_tells: 0 }
}

impl Settings {
    /// What is wrong with these settings, each with what to do; empty when nothing is.
    pub fn findings(&self) -> Vec<String> {
        let mut findings = Vec::new();
        let mut names: Vec<&str> = Vec::new();
        let routes = self.mail.iter().map(|way| &way.name).chain(self.webhook.iter().map(|way| &way.name));
        for name in routes.chain(self.mqtt.iter().map(|way| &way.name)) {
            if name.is_empty() || name.chars().any(char::is_control) {
                findings.push("a way of telling needs a name".to_owned());
            } else if names.contains(&name.as_str()) {
                findings.push(format!("two ways of telling are named `{name}`; name them apart"));
            }
            names.push(name);
        }
        for mail in &self.mail {
            if mail.to.is_empty() {
                findings.push(format!("`{}` has nobody to send to; add addresses to `to`", mail.name));
            }
            for address in mail.to.iter().chain([&mail.from]) {
                if address.parse::<lettre::Address>().is_err() {
                    findings.push(format!("`{address}` of `{}` is not a mail address", mail.name));
                }
            }
            if mail.user.is_some() != mail.password.is_some() {
                findings.push(format!("`{}` needs both `user` and `password`, or neither", mail.name));
            }
            if mail.security == Security::None && !is_this_machine(&mail.server) {
                findings.push(format!(
                    "`{}` would send mail and password in the clear to {}; use `security = \"starttls\"` or `\"tls\"`",
                    mail.name, mail.server
                ));
            }
        }
        for (what, url) in self
            .webhook
            .iter()
            .map(|hook| (hook.name.as_str(), &hook.url))
            .chain(self.heartbeat.iter().map(|heartbeat| ("heartbeat", &heartbeat.url)))
        {
            match url.parse::<ureq::http::Uri>() {
                Ok(uri) if uri.scheme_str() == Some("https") && uri.host().is_some() => {}
                Ok(uri) if uri.scheme_str() == Some("http") && uri.host().is_some_and(is_this_machine) => {}
                Ok(uri) if uri.scheme_str() == Some("http") && what == "heartbeat" && uri.host().is_some() => {}
                _ => findings.push(format!("`{url}` of `{what}` must be an address that begins with https:// (http:// only to this machine)")),
            }
        }
        if let Some(mqtt) = &self.mqtt {
            if !is_topic_level(&mqtt.site) {
                findings.push(format!(
                    "`site = \"{}\"` must be one level of a topic: no `/`, `+`, `#`, not empty",
                    mqtt.site
                ));
            }
            if mqtt.user.is_some() != mqtt.password.is_some() {
                findings.push(format!("`{}` needs both `user` and `password`, or neither", mqtt.name));
            }
            if !mqtt.tls && mqtt.user.is_some() && !is_this_machine(&mqtt.server) {
                findings.push(format!(
                    "`{}` would send its password in the clear to {}; use `tls = true`",
                    mqtt.name, mqtt.server
                ));
            }
            if mqtt.commands && !mqtt.tls && !is_this_machine(&mqtt.server) {
                findings.push(format!("`{}` takes commands with tokens; that needs `tls = true`", mqtt.name));
            }
        }
        if let Some(heartbeat) = &self.heartbeat
            && !(10..=86_400).contains(&heartbeat.every_s)
        {
            findings.push(format!("a heartbeat each {} s; choose 10 s to a day", heartbeat.every_s));
        }
        if self.repeat.after_min == 0 || self.repeat.at_most_min < self.repeat.after_min {
            findings
                .push("`repeat` needs `after_min` of 1 or more and `at_most_min` not below it".to_owned());
        }
        findings
    }
}

/// Whether a text can be one level of an MQTT topic (MQTT 5, section 4.7: no separator, no wildcard, no NUL).
pub(crate) fn is_topic_level(text: &str) -> bool {
    !text.is_empty() && !text.contains(['/', '+', '#', '\0']) && !text.starts_with('$')
}

fn is_this_machine(host: &str) -> bool {
    let host = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || host.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}
