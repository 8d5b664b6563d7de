//! A station with every kind of secret, as talkative as it can be made: none of them stands in what it says, nor in a file that a secret has no
//! place in.

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;

use serde_json::{Value, json};

use crate::process::Launch;
use crate::tanks::{self, Tanks};

const MAIL: &str = "mail-password-5f1c";
const BROKER: &str = "broker-password-77aa";
const SIGNING: &str = "signing-key-90bd";
const OWNER: &str = "barnacle wicket nine staircase";
const NEXT: &str = "limpet causeway seven lanterns";
const WRONG: &str = "a wrong guess of mine";

/// Whether a text stands in a file of the folder, not below it.
fn files_with(folder: &Path, text: &str) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder").flatten();
    let has = |bytes: Vec<u8>| bytes.windows(text.len()).any(|window| window == text.as_bytes());
    entries
        .filter(|entry| fs::read(entry.path()).is_ok_and(has))
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect()
}

#[test]
fn no_secret_is_said_however_talkative_it_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let tanks = Tanks::start(1, 20.0, folder.path());
    for (name, secret) in [("mail", MAIL), ("broker", BROKER), ("signing", SIGNING)] {
        fs::write(folder.path().join(name), secret).expect("a file");
    }
    let mut file = File::options().append(true).open(&tanks.file).expect("a file");
    // Peers that are not there, so that there is something to say about each; a board that does not take its key.
    let wrong_key: String = "0f".repeat(16);
    fs::write(folder.path().join("wrong.key"), &wrong_key).expect("a file");
    let lines = tanks::lines("locked", tanks.ports[0], None).replace("board.key", "wrong.key");
    file.write_all(
        format!(
            r#"{lines}
[[tell.mail]]
name = "mail"
server = "127.0.0.1"
port = 9
user = "reef"
password = {{ file = "mail" }}
from = "reef@example.org"
to = ["keeper@example.org"]

[[tell.webhook]]
name = "pager"
url = "https://127.0.0.1:9/reef"
secret = {{ file = "signing" }}

[tell.mqtt]
server = "127.0.0.1"
port = 9
tls = false
user = "reef"
password = {{ file = "broker" }}
site = "reef"
"#
        )
        .as_bytes(),
    )
    .expect("it is written");
    let data = folder.path().join("data");
    let launch = Launch { is_talkative: true, ..Launch::new(&tanks.file, &data) };
    let (station, _) = launch.start();
    let code = launch.first_code();
    let mut client = launch.first_owner();
    let mut secrets: Vec<String> = [MAIL, BROKER, SIGNING, OWNER, NEXT, WRONG].map(str::to_owned).to_vec();
    let key: String = tanks::KEY.iter().map(|byte| format!("{byte:02x}")).collect();
    secrets.extend([key, wrong_key, code]);
    let cookie =
        |client: &crate::client::Client| client.cookie.split_once('=').expect("a cookie").1.to_owned();
    secrets.push(cookie(&client));
    let token =
        client.patient("POST", "/api/v1/tokens", &json!({ "name": "x", "scopes": ["read"], "days": 1 }));
    secrets.push(token.json()["token"].as_str().expect("a token").to_owned());
    let codes = client.patient("POST", "/api/v1/account/totp", &json!({ "password": OWNER }));
    assert_eq!(codes.status, 200, "{}", codes.text());
    // The seed is readable in the store by design (docs/threat-model.md), never in what is said.
    let seed = codes.json()["secret"].as_str().expect("a seed").to_owned();
    let guess = json!({ "name": "Keeper", "password": WRONG });
    assert_eq!(client.patient("POST", "/api/v1/session", &guess).status, 401);
    for way in ["mail", "pager", "reef"] {
        client.patient("POST", "/api/v1/tell/test", &json!({ "way": way }));
    }
    let changed = client.patient("POST", "/api/v1/account/password", &json!({ "old": OWNER, "new": NEXT }));
    assert_eq!(changed.status, 200, "{}", changed.text());
    // Requests that make no sense, with a secret in each place.
    for path in [
        format!("/api/v1/{NEXT}").replace(' ', "%20"),
        "/api/v1/notes".to_owned(),
        "/api/v1/session".to_owned(),
    ] {
        client.patient("POST", &path, &json!({ "password": WRONG, "text": 3, "token": OWNER }));
    }
    client.cookie = format!("{}x", client.cookie);
    client.patient("GET", "/api/v1/state", &Value::Null);
    std::thread::sleep(std::time::Duration::from_secs(1));
    station.end();
    let said = launch.log();
    assert!(said.contains("listening"), "{said}");
    assert!(
        said.contains("`mail`") || said.contains("pager"),
        "it had something to say of its peers: {said}"
    );
    assert!(!said.contains(&seed), "the seed of one-time codes is said");
    for secret in &secrets {
        assert!(!said.contains(secret.as_str()), "`{secret}` is said: {said}");
        assert_eq!(files_with(&data, secret), Vec::<String>::new(), "`{secret}` stands in a file");
    }
}
