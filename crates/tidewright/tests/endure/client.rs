//! Somebody who asks over HTTP, a connection for each request. An answer counts only when all of it came.

use std::io::{self, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::time::Duration;

use serde_json::Value;

/// Longer than any answer may take.
const PATIENCE: Duration = Duration::from_secs(20);

/// Who asks.
#[derive(Clone, Debug)]
pub struct Client {
    address: SocketAddr,
    /// The session's cookie; empty without one.
    pub cookie: String,
}

/// What came back, whole.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

fn broken() -> io::Error {
    io::Error::new(io::ErrorKind::UnexpectedEof, "the answer is not whole")
}

impl Client {
    pub fn new(port: u16) -> Client {
        Client { address: SocketAddr::from((Ipv4Addr::LOCALHOST, port)), cookie: String::new() }
    }

    pub fn get(&self, path: &str) -> io::Result<Answer> {
        self.ask("GET", path, "", "")
    }

    pub fn post(&self, path: &str, body: &Value) -> io::Result<Answer> {
        self.ask("POST", path, "application/json", &body.to_string())
    }

    /// One request, again while this address has asked too often.
    pub fn patient(&self, method: &str, path: &str, body: &Value) -> Answer {
        loop {
            let body = if body.is_null() { String::new() } else { body.to_string() };
            let answer = self.ask(method, path, "application/json", &body).expect("an answer");
            if answer.status != 429 {
                return answer;
            }
            std::thread::sleep(Duration::from_millis(30));
        }
    }

    /// One request.
    pub fn ask(&self, method: &str, path: &str, kind: &str, body: &str) -> io::Result<Answer> {
        let mut stream = TcpStream::connect_timeout(&self.address, PATIENCE)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        stream.set_nodelay(true)?;
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: localhost\r\nCookie: {}\r\nSec-Fetch-Site: same-origin\r\n\
             Content-Type: {kind}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            self.cookie,
            body.len()
        );
        stream.write_all(request.as_bytes())?;
        let mut bytes = vec![];
        stream.read_to_end(&mut bytes)?;
        let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").ok_or_else(broken)?;
        let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
        let body = bytes.split_off(end + 4);
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).ok_or_else(broken)?;
        let length = head.lines().find_map(|line| line.strip_prefix("content-length: "));
        let is_whole = length.is_none_or(|length| length.trim().parse() == Ok(body.len()));
        let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
        if is_whole { Ok(Answer { status, head, body }) } else { Err(broken()) }
    }
}
