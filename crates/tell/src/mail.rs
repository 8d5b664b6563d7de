//! Telling by mail: one message to one receiver over SMTP (RFC 5321), its line kept private by TLS.

use std::path::Path;
use std::time::{Duration, SystemTime};

use lettre::message::header::{HeaderName, HeaderValue};
use lettre::message::{Mailbox, Message};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::{SmtpTransport, Transport};
use sha2::{Digest, Sha256};

use crate::notice::{Kind, Notice, Priority};
use crate::settings::{Mail, Security};

/// Longest wait for the server at any step.
const WAIT: Duration = Duration::from_secs(20);

/// A way to one receiver.
pub(crate) struct MailWay {
    transport: SmtpTransport,
    from: Mailbox,
    to: Mailbox,
    footer: String,
}

impl MailWay {
    /// The way to `receiver`; `folder` is where relative paths begin. Reads the password and certificate, connects to nobody.
    pub fn new(
        settings: &Mail,
        receiver: &str,
        address: Option<&str>,
        folder: &Path,
    ) -> Result<MailWay, String> {
        let mailbox = |text: &str| {
            text.parse()
                .map(|address| Mailbox::new(None, address))
                .map_err(|_| format!("`{text}` is not a mail address"))
        };
        let tls = || -> Result<TlsParameters, String> {
            let mut parameters = TlsParameters::builder(settings.server.clone());
            if let Some(path) = &settings.ca {
                let pem = crate::tls::read(folder, path)?;
                let certificate = Certificate::from_pem(&pem)
                    .map_err(|error| format!("{} is not a certificate in PEM: {error}", path.display()))?;
                parameters =
                    parameters.add_root_certificate(certificate).certificate_store(CertificateStore::None);
            }
            parameters
                .build_rustls()
                .map_err(|error| format!("TLS to {} can't be set up: {error}", settings.server))
        };
        let (tls, port) = match settings.security {
            Security::Starttls => (Tls::Required(tls()?), 587),
            Security::Tls => (Tls::Wrapper(tls()?), 465),
            Security::None => (Tls::None, 25),
        };
        let mut transport = SmtpTransport::builder_dangerous(&settings.server)
            .port(settings.port.unwrap_or(port))
            .tls(tls)
            .timeout(Some(WAIT));
        if let (Some(user), Some(password)) = (&settings.user, &settings.password) {
            transport = transport
                .credentials(Credentials::new(user.clone(), password.read(folder)?.expose().to_owned()));
        }
        Ok(MailWay {
            transport: transport.build(),
            from: mailbox(&settings.from)?,
            to: mailbox(receiver)?,
            footer: address.map(|address| format!("\nSee it and act: {address}\n")).unwrap_or_default(),
        })
    }

    /// Sends it; the server's answer, or why not.
    pub fn send(&self, notice: &Notice) -> Result<String, String> {
        let message = self.message(notice)?;
        match self.transport.send(&message) {
            Ok(response) => {
                Ok(format!("{} {}", response.code(), response.message().collect::<Vec<_>>().join(" ")))
            }
            Err(error) => Err(with_causes(&error)),
        }
    }

    fn message(&self, notice: &Notice) -> Result<Message, String> {
        // The same message keeps its identity when it is sent again (RFC 5322, 3.6.4), so that a mail program can show it once.
        let identity = Sha256::digest(format!("{} {}", notice.key, self.to.email));
        let identity: String = identity.iter().take(16).map(|byte| format!("{byte:02x}")).collect();
        let mut message = Message::builder()
            .from(self.from.clone())
            .to(self.to.clone())
            .subject(subject(notice))
            .date(SystemTime::now())
            .message_id(Some(format!("<{identity}@{}>", self.from.email.domain())))
            // RFC 3834: no holiday answers, please.
            .raw_header(header("Auto-Submitted", "auto-generated"));
        if notice.priority == Priority::High && notice.kind != Kind::Over {
            // RFC 2156, 5.3.6 and 5.3.4.
            message =
                message.raw_header(header("Importance", "high")).raw_header(header("Priority", "urgent"));
        }
        message
            .body(format!("{}\n{}{}", notice.subject, notice.body, self.footer))
            .map_err(|error| format!("the message can't be written as a mail: {error}"))
    }
}

fn subject(notice: &Notice) -> String {
    match notice.kind {
        Kind::Raised | Kind::Again => format!("[{}] {}", notice.priority.word(), notice.subject),
        Kind::Over | Kind::Passed | Kind::Telling | Kind::Test => notice.subject.clone(),
    }
}

fn header(name: &'static str, value: &str) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value.to_owned())
}

/// An error with what caused it, in one line.
pub(crate) fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        let words = inner.to_string();
        if !text.contains(&words) {
            text.push_str(": ");
            text.push_str(&words);
        }
        cause = inner.source();
    }
    text.replace(['\r', '\n'], " ")
}
