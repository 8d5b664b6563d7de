//! Telling by HTTP: a POST whose sender and content are proven by a signature (RFC 9421 with HMAC-SHA256, RFC 9530), and the heartbeat.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, Mac};
use serde_json::json;
use sha2::{Digest, Sha256};
use ureq::Agent;
use ureq::tls::{Certificate, RootCerts, TlsConfig};

use crate::notice::Notice;
use crate::secret::Secret;
use crate::settings::{Heartbeat, Webhook};

/// Longest wait for a whole request.
const WAIT: Duration = Duration::from_secs(20);

/// A way to one address.
pub(crate) struct WebWay {
    agent: Agent,
    url: String,
    authority: String,
    path: String,
    key: Secret,
}

impl WebWay {
    /// The way; `folder` is where relative paths begin. Connects to nobody.
    pub fn new(settings: &Webhook, folder: &Path) -> Result<WebWay, String> {
        let uri: ureq::http::Uri = settings
            .url
            .parse()
            .map_err(|_| format!("`{}` of `{}` is not an address", settings.url, settings.name))?;
        let authority =
            uri.authority().map(|authority| authority.as_str().to_ascii_lowercase()).unwrap_or_default();
        Ok(WebWay {
            agent: agent(folder, settings.ca.as_deref())?,
            url: settings.url.clone(),
            authority: default_port_dropped(&authority, uri.scheme_str()),
            path: if uri.path().is_empty() { "/".to_owned() } else { uri.path().to_owned() },
            key: settings.secret.read(folder)?,
        })
    }

    /// Sends it; the peer's answer, or why not. A redirection is an answer other than success: nothing follows it.
    pub fn send(&self, notice: &Notice) -> Result<String, String> {
        let body = json!({
            "key": notice.key,
            "kind": notice.kind,
            "priority": notice.priority,
            "at_ms": notice.at_ms,
            "subject": notice.subject,
            "body": notice.body,
        })
        .to_string();
        let created = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
        let digest = content_digest(body.as_bytes());
        let components = [
            ("@method", "POST"),
            ("@authority", self.authority.as_str()),
            ("@path", self.path.as_str()),
            ("content-digest", digest.as_str()),
            ("content-type", "application/json"),
            ("idempotency-key", notice.key.as_str()),
        ];
        let (input, signature) = sign(
            &components,
            &format!("created={created};keyid=\"tidewright\";alg=\"hmac-sha256\""),
            self.key.expose().as_bytes(),
        );
        let response = self
            .agent
            .post(&self.url)
            .header("content-type", "application/json")
            .header("content-digest", &digest)
            .header("idempotency-key", &notice.key)
            .header("signature-input", format!("tidewright={input}"))
            .header("signature", format!("tidewright=:{signature}:"))
            .send(body.as_bytes());
        answer(response)
    }
}

/// The heartbeat.
pub(crate) struct Beat {
    agent: Agent,
    url: String,
}

impl Beat {
    /// The heartbeat's address.
    pub fn new(settings: &Heartbeat, folder: &Path) -> Result<Beat, String> {
        Ok(Beat { agent: agent(folder, settings.ca.as_deref())?, url: settings.url.clone() })
    }

    /// Asks once; the peer's answer, or why not.
    pub fn ask(&self) -> Result<String, String> {
        answer(self.agent.get(&self.url).call())
    }
}

fn answer(response: Result<ureq::http::Response<ureq::Body>, ureq::Error>) -> Result<String, String> {
    match response {
        Ok(response) if response.status().is_success() => Ok(format!("HTTP {}", response.status())),
        Ok(response) if response.status().is_redirection() => Err(format!(
            "HTTP {}: the address has moved; put the new one into the settings, redirections are not followed",
            response.status()
        )),
        Ok(response) => Err(format!("HTTP {}", response.status())),
        Err(error) => Err(crate::mail::with_causes(&error)),
    }
}

fn agent(folder: &Path, ca: Option<&Path>) -> Result<Agent, String> {
    let roots = match ca {
        None => RootCerts::WebPki,
        Some(path) => {
            let certificate = Certificate::from_pem(&crate::tls::read(folder, path)?)
                .map_err(|error| format!("{} is not a certificate in PEM: {error}", path.display()))?;
            RootCerts::Specific(Arc::new(vec![certificate]))
        }
    };
    Ok(Agent::config_builder()
        .timeout_global(Some(WAIT))
        .max_redirects(0)
        .max_redirects_will_error(false)
        .http_status_as_error(false)
        .user_agent("tidewright")
        .tls_config(TlsConfig::builder().root_certs(roots).build())
        .build()
        .new_agent())
}

/// RFC 9421, 2.2.3: the port is left out when it is that of the scheme.
fn default_port_dropped(authority: &str, scheme: Option<&str>) -> String {
    let port = if scheme == Some("http") { ":80" } else { ":443" };
    authority.strip_suffix(port).unwrap_or(authority).to_owned()
}

/// `Content-Digest` of a body (RFC 9530).
fn content_digest(body: &[u8]) -> String {
    format!("sha-256=:{}:", STANDARD.encode(Sha256::digest(body)))
}

/// RFC 9421, 2.5 and 3.3.3: the signature's input and the signature itself, base64.
fn sign(components: &[(&str, &str)], parameters: &str, key: &[u8]) -> (String, String) {
    let names: Vec<String> = components.iter().map(|(name, _)| format!("\"{name}\"")).collect();
    let input = format!("({});{parameters}", names.join(" "));
    let mut base = String::new();
    for (name, value) in components {
        base.push_str(&format!("\"{name}\": {value}\n"));
    }
    base.push_str(&format!("\"@signature-params\": {input}"));
    // A key of any length is good for an HMAC (RFC 2104, section 2), so there is no error to meet.
    let signature = Hmac::<Sha256>::new_from_slice(key)
        .map(|mut mac| {
            mac.update(base.as_bytes());
            STANDARD.encode(mac.finalize().into_bytes())
        })
        .unwrap_or_default();
    (input, signature)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9421, appendix B.2.5 (from memory; a wrong digit anywhere would not give this code).
    #[test]
    fn signature_of_the_standards_example() {
        let key = STANDARD
            .decode(
                "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==",
            )
            .expect("base64");
        let (input, signature) = sign(
            &[
                ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
                ("@authority", "example.com"),
                ("content-type", "application/json"),
            ],
            "created=1618884473;keyid=\"test-shared-secret\"",
            &key,
        );
        assert_eq!(
            input,
            "(\"date\" \"@authority\" \"content-type\");created=1618884473;keyid=\"test-shared-secret\""
        );
        assert_eq!(signature, "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=");
    }

    /// RFC 9530, appendix D (the request content of RFC 9421's examples): from memory.
    #[test]
    fn digest_of_the_standards_example() {
        assert_eq!(
            content_digest(b"{\"hello\": \"world\"}"),
            "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"
        );
    }

    #[test]
    fn authority_has_no_usual_port() {
        assert_eq!(default_port_dropped("tank.example:443", Some("https")), "tank.example");
        assert_eq!(default_port_dropped("tank.example:80", Some("https")), "tank.example:80");
        assert_eq!(default_port_dropped("127.0.0.1:80", Some("http")), "127.0.0.1");
    }
}
