//! A running station, asked over its API with a token.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use ureq::Agent;
use ureq::tls::{Certificate, RootCerts, TlsConfig};

use crate::arguments::StationOptions;
use crate::ending::Failure;

/// Longest wait for one answer: a command waits ten seconds for its board.
const WAIT: Duration = Duration::from_secs(30);

/// The station and how it is asked.
pub struct Station {
    agent: Agent,
    url: String,
    token: String,
}

/// A file that an option names.
pub fn read(path: &Path, what: &str) -> Result<String, Failure> {
    std::fs::read_to_string(path).map_err(|error| {
        Failure::new(format!("cannot read `{}`: {error}", path.display())).help(format!("name {what}"))
    })
}

impl Station {
    /// The station of these options. Asks nothing yet.
    pub fn new(options: &StationOptions) -> Result<Station, Failure> {
        let token = match &options.token_file {
            Some(path) => read(path, "the file that holds the token")?,
            None => std::env::var("TIDEWRIGHT_TOKEN").map_err(|_| {
                Failure::new("the station is asked with a token, and there is none").help(
                    "make one on the page of accounts (`read` to look, `program` to deploy) and give its file with --token-file, or put it \
                     into TIDEWRIGHT_TOKEN",
                )
            })?,
        };
        let roots = match &options.certificate {
            None => RootCerts::WebPki,
            Some(path) => {
                let pem = read(path, "the station's certificate, PEM")?;
                let certificate = Certificate::from_pem(pem.as_bytes()).map_err(|error| {
                    Failure::new(format!("`{}` is no certificate in PEM: {error}", path.display()))
                        .help("it is `station-cert.pem` in the station's data folder")
                })?;
                RootCerts::Specific(Arc::new(vec![certificate]))
            }
        };
        let agent = Agent::config_builder()
            .timeout_global(Some(WAIT))
            .max_redirects(0)
            .http_status_as_error(false)
            .user_agent("tidewright")
            .tls_config(TlsConfig::builder().root_certs(roots).build())
            .build()
            .new_agent();
        let url = options.station.trim_end_matches('/').to_owned();
        Ok(Station { agent, url, token: token.trim().to_owned() })
    }

    /// A text.
    pub fn text(&self, path: &str) -> Result<String, Failure> {
        String::from_utf8(self.bytes(path)?)
            .map_err(|_| Failure::new(format!("{}{path}: the answer is no text", self.url)))
    }

    /// A file.
    pub fn bytes(&self, path: &str) -> Result<Vec<u8>, Failure> {
        let url = format!("{}{path}", self.url);
        let bearer = format!("Bearer {}", self.token);
        let failed = |error: ureq::Error| Failure::new(format!("{url}: {error}"));
        let mut answer = self.agent.get(&url).header("Authorization", &bearer).call().map_err(failed)?;
        let bytes = answer.body_mut().read_to_vec().map_err(failed)?;
        if answer.status().is_success() {
            return Ok(bytes);
        }
        let problem: Value = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
        Err(Failure::new(format!("{url}: {}", problem["detail"].as_str().unwrap_or("it does not say why")))
            .help("`tidewright revisions` lists what there is; a token with `read` may look"))
    }

    /// Asks for events and tells each with its data until the station ends them; that may take as long as it takes.
    pub fn stream(&self, path: &str, body: &Value, tell: &mut dyn FnMut(&str, Value)) -> Result<(), Failure> {
        let url = format!("{}{path}", self.url);
        let broken = |error: &dyn std::fmt::Display| {
            Failure::new(format!("{url}: {error}")).help("is the station still running? ask again")
        };
        let request = self.agent.post(&url).config().timeout_global(None).build();
        let answer = request
            .header("Authorization", &format!("Bearer {}", self.token))
            .header("Content-Type", "application/json")
            .send(body.to_string());
        let mut answer = answer.map_err(|error| broken(&error))?;
        if !answer.status().is_success() {
            let text = answer.body_mut().read_to_string().map_err(|error| broken(&error))?;
            let value = serde_json::from_str(&text).unwrap_or(Value::Null);
            return Err(refused(&url, answer.status().as_u16(), &value));
        }
        let mut event = String::new();
        for line in BufReader::new(answer.body_mut().as_reader()).lines() {
            let line = line.map_err(|error| broken(&error))?;
            if let Some(name) = line.strip_prefix("event:") {
                name.trim().clone_into(&mut event);
            } else if let Some(data) = line.strip_prefix("data:") {
                tell(&event, serde_json::from_str(data.trim()).unwrap_or(Value::Null));
            }
        }
        Ok(())
    }

    /// Asks; the answer, or what the station says is wrong.
    pub fn ask(&self, path: &str, body: Option<&Value>) -> Result<Value, Failure> {
        self.try_ask(path, body).map_err(|error| match error {
            Asked::Failed(failure) => failure,
            Asked::NotThere(why) => {
                Failure::new(format!("the station at {} does not answer: {why}", self.url))
                    .help("is it running, and is --station its address? `tidewright serve` prints it")
            }
        })
    }

    /// The same, where the station may just be beginning anew.
    pub fn try_ask(&self, path: &str, body: Option<&Value>) -> Result<Value, Asked> {
        let url = format!("{}{path}", self.url);
        let bearer = format!("Bearer {}", self.token);
        let answer = match body {
            None => self.agent.get(&url).header("Authorization", &bearer).call(),
            Some(body) => self
                .agent
                .post(&url)
                .header("Authorization", &bearer)
                .header("Content-Type", "application/json")
                .send(body.to_string()),
        };
        let mut answer = answer.map_err(|error| Asked::NotThere(error.to_string()))?;
        let text = answer.body_mut().read_to_string().map_err(|error| Asked::NotThere(error.to_string()))?;
        let value: Value = serde_json::from_str(&text).unwrap_or(Value::Null);
        if answer.status().is_success() {
            return Ok(value);
        }
        Err(Asked::Failed(refused(&url, answer.status().as_u16(), &value)))
    }
}

/// What the station says is wrong, and what to do.
fn refused(url: &str, status: u16, problem: &Value) -> Failure {
    let detail = problem["detail"].as_str().unwrap_or("it does not say why");
    let help = match status {
        401 => "the token is wrong or has ended: make another on the page of accounts",
        403 => "deploying takes a token with `program`, made by an owner",
        _ => "nothing was changed",
    };
    Failure::new(format!("{url}: {detail}")).help(help)
}

/// Why there is no answer.
pub enum Asked {
    /// It answered, and not with success.
    Failed(Failure),
    /// No answer came, and why.
    NotThere(String),
}
