//! The MQTT 5 broker: messages and values out, commands in. The topic tree is in docs/tell.md.
//!
//! Contract: the connection lives on a thread of its own and comes back by itself; whatever the broker does, nothing here waits longer than
//! it says. Values are lost while there is no connection (the newest is retained at the broker when it is back), messages are not.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rumqttc::Transport;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{LastWill, Packet, PubAckReason, Publish, PublishProperties};
use rumqttc::v5::{Client, Connection, Event, MqttOptions};
use rumqttc::{Outgoing, TlsConfiguration};
use serde_json::{Value as Json, json};

use crate::notice::Notice;
use crate::secret::SecretPlace;
use crate::settings::Mqtt;

/// Longest wait for the broker to take a message.
const WAIT: Duration = Duration::from_secs(20);
/// The thread may take so long to leave.
const LAST_WAIT: Duration = Duration::from_millis(150);
/// Requests that may wait for the connection's thread.
const CAPACITY: usize = 256;
/// Largest packet, bytes.
const LARGEST_PACKET: u32 = 65_536;
const KEEP_ALIVE: Duration = Duration::from_secs(30);
const LONGEST_PAUSE: Duration = Duration::from_secs(60);

/// A value of a board as it is told.
#[derive(Clone, Debug, PartialEq)]
pub struct Value<'a> {
    /// What it belongs to: the third and fourth level of the topic, such as `signal` and the signal's name.
    pub kind: &'a str,
    /// Name as in the system file.
    pub name: &'a str,
    /// The value.
    pub reading: Reading,
    /// Its unit by the SenML registry (RFC 8428, section 12.1), if it has one.
    pub unit: Option<&'a str>,
    /// Whether it is to be trusted; one that is not is told without a value.
    pub is_good: bool,
    /// When it was read, ms since 1970 UTC.
    pub at_ms: i64,
}

/// A number or a state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// A number in the unit.
    Number(f64),
    /// On or off.
    Bit(bool),
}

/// Carries out a command that came by MQTT and answers it. It gets the payload as JSON, checks the token in it, and may take some seconds.
pub type OnCommand = Arc<dyn Fn(&Json) -> Json + Send + Sync>;

/// Takes a message of a topic that was subscribed: topic and payload. It is called on the connection's thread and must not wait.
pub type OnMessage = Arc<dyn Fn(&str, &[u8]) + Send + Sync>;

/// Hears when the line to the broker comes (`Ok`) and goes (why).
pub type OnLine = Arc<dyn Fn(Result<(), &str>) + Send + Sync>;

/// What a listener hears, and when the line to the broker comes and goes.
#[derive(Clone)]
pub struct Listener {
    /// Topic filter; `+` and `#` as in MQTT 5, section 4.7.
    pub filter: String,
    /// Takes each message but retained ones, of which nobody knows how old they are.
    pub on_message: OnMessage,
    /// Told each time that the line comes or goes.
    pub on_line: OnLine,
}

impl std::fmt::Debug for Listener {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Listener").field("filter", &self.filter).finish_non_exhaustive()
    }
}

/// Whether a topic belongs to a filter (MQTT 5, section 4.7): `+` is one level, `#` at the end is any number of them and the level above;
/// neither begins a match with a topic of the server's own (`$...`).
pub fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let (mut wanted, mut levels) = (filter.split('/'), topic.split('/'));
    loop {
        match (wanted.next(), levels.next()) {
            (Some("#"), _) => return true,
            (Some("+"), Some(_)) => {}
            (Some(wanted), Some(level)) if wanted == level => {}
            (None, None) => return true,
            _ => return false,
        }
    }
}

/// Whether a text is a topic filter (MQTT 5, section 4.7): `#` only as the last level, `+` and `#` only as whole levels.
pub fn is_filter(text: &str) -> bool {
    let levels: Vec<&str> = text.split('/').collect();
    !text.is_empty()
        && text.len() <= 65_535
        && !text.contains('\0')
        && levels.iter().enumerate().all(|(at, level)| match *level {
            "+" => true,
            "#" => at + 1 == levels.len(),
            level => !level.contains(['+', '#']),
        })
}

/// A connection to the broker that comes back by itself.
pub struct Broker {
    client: Client,
    shared: Arc<Shared>,
    root: String,
    is_ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

struct Shared {
    is_connected: AtomicBool,
    /// Why there is no connection.
    trouble: Mutex<String>,
    /// The message that the broker is to take: its packet, and who waits.
    waiting: Mutex<Option<Waiting>>,
    /// One message is under way at a time.
    turn: Mutex<()>,
}

struct Waiting {
    packet: Option<u16>,
    done: SyncSender<Result<String, String>>,
}

impl Broker {
    /// Begins to connect. `folder` is where relative paths begin. Each listener's topics are subscribed whenever the broker is there.
    pub fn start(
        settings: &Mqtt,
        folder: &Path,
        on_command: Option<OnCommand>,
        listeners: Vec<Listener>,
    ) -> Result<Broker, String> {
        let root = format!("tidewright/{}", settings.site);
        let options = options(settings, folder, &root)?;
        let (client, connection) = Client::new(options, CAPACITY);
        let shared = Arc::new(Shared {
            is_connected: AtomicBool::new(false),
            trouble: Mutex::new("not connected yet".to_owned()),
            waiting: Mutex::new(None),
            turn: Mutex::new(()),
        });
        let is_ending = Arc::new(AtomicBool::new(false));
        let line = Line {
            client: client.clone(),
            shared: Arc::clone(&shared),
            is_ending: Arc::clone(&is_ending),
            root: root.clone(),
            on_command: on_command.filter(|_| settings.commands),
            listeners,
        };
        let thread = std::thread::Builder::new()
            .name("mqtt".to_owned())
            .spawn(move || line.run(connection))
            .map_err(|error| format!("no thread for MQTT: {error}"))?;
        Ok(Broker { client, shared, root, is_ending, thread: Some(thread) })
    }

    /// Whether the broker is there now; else why not.
    pub fn state(&self) -> Result<(), String> {
        if self.shared.is_connected.load(Ordering::Acquire) {
            Ok(())
        } else {
            Err(lock(&self.shared.trouble).clone())
        }
    }

    /// Tells a message and waits until the broker has taken it: QoS 1, on `<root>/notice`.
    pub fn send(&self, notice: &Notice) -> Result<String, String> {
        let _turn = lock(&self.shared.turn);
        self.state()?;
        let (done, taken) = sync_channel(1);
        *lock(&self.shared.waiting) = Some(Waiting { packet: None, done });
        let payload = serde_json::to_vec(notice)
            .map_err(|error| format!("the message can't be written as JSON: {error}"))?;
        let properties = PublishProperties {
            content_type: Some("application/json".to_owned()),
            ..PublishProperties::default()
        };
        let outcome = self
            .client
            .try_publish_with_properties(
                format!("{}/notice", self.root),
                QoS::AtLeastOnce,
                false,
                payload,
                properties,
            )
            .map_err(|_| "too much waits for the broker".to_owned())
            .and_then(|()| {
                taken.recv_timeout(WAIT).map_err(|_| "the broker did not answer in 20 s".to_owned())?
            });
        *lock(&self.shared.waiting) = None;
        outcome
    }

    /// Tells values, retained: each on `<root>/<board>/<kind>/<name>` as a SenML pack of one record. How many were left out because there
    /// is no connection or too much waits.
    pub fn publish(&self, board: &str, values: &[Value<'_>]) -> usize {
        if !self.shared.is_connected.load(Ordering::Acquire) {
            return values.len();
        }
        let mut left_out = 0;
        for value in values {
            let topic = format!("{}/{}/{}/{}", self.root, level(board), level(value.kind), level(value.name));
            let properties = PublishProperties {
                content_type: Some("application/senml+json".to_owned()),
                ..PublishProperties::default()
            };
            let pack = pack(&self.root, board, value).to_string();
            if self
                .client
                .try_publish_with_properties(topic, QoS::AtMostOnce, true, pack, properties)
                .is_err()
            {
                left_out += 1;
            }
        }
        left_out
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.is_ending.store(true, Ordering::Release);
        // Who leaves in order has no last will, so the state is told here.
        let _ = self.client.try_publish(format!("{}/state", self.root), QoS::AtLeastOnce, true, "offline");
        let _ = self.client.try_disconnect();
        let Some(thread) = self.thread.take() else { return };
        let until = Instant::now() + LAST_WAIT;
        while !thread.is_finished() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(5));
        }
        // One that tries to reach a broker that is not there has nothing more to tell.
        if thread.is_finished() {
            let _ = thread.join();
        }
    }
}

impl std::fmt::Debug for Broker {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Broker").field("root", &self.root).field("state", &self.state()).finish()
    }
}

fn options(settings: &Mqtt, folder: &Path, root: &str) -> Result<MqttOptions, String> {
    let port = settings.port.unwrap_or(if settings.tls { 8883 } else { 1883 });
    let mut options = MqttOptions::new(format!("tidewright-{}", settings.site), &settings.server, port);
    options.set_keep_alive(KEEP_ALIVE);
    options.set_max_packet_size(Some(LARGEST_PACKET));
    options.set_last_will(LastWill::new(format!("{root}/state"), "offline", QoS::AtLeastOnce, true, None));
    if settings.tls {
        let config = crate::tls::client(folder, settings.ca.as_deref())?;
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(config)));
    }
    if let Some(user) = &settings.user {
        let password =
            settings.password.as_ref().map(|place: &SecretPlace| place.read(folder)).transpose()?;
        options.set_credentials(user.clone(), password.as_ref().map_or("", |password| password.expose()));
    }
    Ok(options)
}

/// The thread of the connection.
struct Line {
    client: Client,
    shared: Arc<Shared>,
    is_ending: Arc<AtomicBool>,
    root: String,
    on_command: Option<OnCommand>,
    listeners: Vec<Listener>,
}

impl Line {
    fn run(self, mut connection: Connection) {
        let mut pause = Duration::from_secs(1);
        loop {
            match connection.recv_timeout(Duration::from_millis(500)) {
                Ok(Ok(event)) => {
                    if matches!(event, Event::Incoming(Packet::ConnAck(_))) {
                        pause = Duration::from_secs(1);
                    }
                    if self.is_over(event) {
                        return;
                    }
                }
                Ok(Err(error)) => {
                    self.lost(&crate::mail::with_causes(&error));
                    if self.rests(pause) {
                        return;
                    }
                    pause = (pause * 2).min(LONGEST_PAUSE);
                }
                Err(_) => {}
            }
            if self.is_ending.load(Ordering::Acquire) && !self.shared.is_connected.load(Ordering::Acquire) {
                return;
            }
        }
    }

    /// Takes an event; whether it was the last.
    fn is_over(&self, event: Event) -> bool {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => {
                self.shared.is_connected.store(true, Ordering::Release);
                let _ =
                    self.client.try_publish(format!("{}/state", self.root), QoS::AtMostOnce, true, "online");
                if self.on_command.is_some() {
                    let _ = self.client.try_subscribe(format!("{}/command", self.root), QoS::AtLeastOnce);
                }
                for listener in &self.listeners {
                    let asked = self.client.try_subscribe(listener.filter.clone(), QoS::AtLeastOnce);
                    (listener.on_line)(asked.map_err(|_| "too much waits for the broker"));
                }
            }
            Event::Incoming(Packet::Disconnect(why)) => {
                self.lost(&format!("the broker ended the connection: {:?}", why.reason_code))
            }
            Event::Incoming(Packet::Publish(publish)) => self.heard(publish),
            Event::Incoming(Packet::PubAck(ack)) => self.taken(ack.pkid, ack.reason),
            Event::Outgoing(Outgoing::Publish(packet)) if packet != 0 => {
                if let Some(waiting) = lock(&self.shared.waiting).as_mut() {
                    waiting.packet.get_or_insert(packet);
                }
            }
            Event::Outgoing(Outgoing::Disconnect) => return true,
            _ => {}
        }
        false
    }

    fn taken(&self, packet: u16, reason: PubAckReason) {
        let mut waiting = lock(&self.shared.waiting);
        if waiting.as_ref().is_some_and(|waiting| waiting.packet == Some(packet))
            && let Some(waiting) = waiting.take()
        {
            let answer = match reason {
                PubAckReason::Success => Ok("taken by the broker".to_owned()),
                PubAckReason::NoMatchingSubscribers => {
                    Ok("taken by the broker; nobody listens to it now".to_owned())
                }
                refused => Err(format!("the broker refused it: {refused:?}")),
            };
            let _ = waiting.done.try_send(answer);
        }
    }

    fn lost(&self, why: &str) {
        self.shared.is_connected.store(false, Ordering::Release);
        *lock(&self.shared.trouble) = why.to_owned();
        for listener in &self.listeners {
            (listener.on_line)(Err(why));
        }
        if let Some(waiting) = lock(&self.shared.waiting).take() {
            let _ = waiting.done.try_send(Err(why.to_owned()));
        }
    }

    /// Waits; whether the end came meanwhile.
    fn rests(&self, pause: Duration) -> bool {
        const STEP: Duration = Duration::from_millis(100);
        let mut rested = Duration::ZERO;
        while rested < pause {
            if self.is_ending.load(Ordering::Acquire) {
                return true;
            }
            std::thread::sleep(STEP);
            rested += STEP;
        }
        false
    }

    fn heard(&self, publish: Publish) {
        let topic = String::from_utf8_lossy(&publish.topic).into_owned();
        if topic == format!("{}/command", self.root) {
            self.command(publish);
            return;
        }
        if publish.retain {
            return;
        }
        for listener in self.listeners.iter().filter(|listener| matches(&listener.filter, &topic)) {
            (listener.on_message)(&topic, &publish.payload);
        }
    }

    /// Carries out a command on a thread of its own and answers on the response topic (MQTT 5, section 4.10).
    fn command(&self, publish: Publish) {
        let Some(on_command) = &self.on_command else { return };
        // A retained command is an old one that the broker repeats to whoever comes: it must not be done again.
        if publish.retain {
            return;
        }
        let (on_command, client) = (Arc::clone(on_command), self.client.clone());
        let properties = publish.properties.unwrap_or_default();
        let work = move || {
            let answer = match serde_json::from_slice::<Json>(&publish.payload) {
                Ok(command) => on_command(&command),
                Err(error) => {
                    json!({ "outcome": "refused", "why": format!("the command is not JSON: {error}") })
                }
            };
            if let Some(topic) = properties.response_topic {
                let properties = PublishProperties {
                    content_type: Some("application/json".to_owned()),
                    correlation_data: properties.correlation_data,
                    ..PublishProperties::default()
                };
                let _ = client.try_publish_with_properties(
                    topic,
                    QoS::AtMostOnce,
                    false,
                    answer.to_string(),
                    properties,
                );
            }
        };
        let _ = std::thread::Builder::new().name("mqtt command".to_owned()).spawn(work);
    }
}

/// A SenML pack of one record (RFC 8428, section 5). What is not to be trusted has no value, which the standard allows only with a sum;
/// so it is told as a string record.
fn pack(root: &str, board: &str, value: &Value<'_>) -> Json {
    let mut record = json!({
        "bn": format!("{root}/{board}/{}/", value.kind),
        "n": value.name,
        "t": value.at_ms as f64 / 1000.0,
    });
    match value.reading {
        _ if !value.is_good => record["vs"] = json!("bad"),
        Reading::Number(number) => record["v"] = json!(number),
        Reading::Bit(bit) => record["vb"] = json!(bit),
    }
    if let Some(unit) = value.unit.filter(|_| value.is_good) {
        record["u"] = json!(unit);
    }
    json!([record])
}

/// A name as one level of a topic.
fn level(name: &str) -> String {
    if crate::settings::is_topic_level(name) {
        name.to_owned()
    } else {
        name.replace(['/', '+', '#', '\0', '$'], "_")
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::{is_filter, matches};

    /// The examples of MQTT 5.0, sections 4.7.1.2, 4.7.1.3 and 4.7.2.
    #[test]
    fn topics_and_filters() {
        let yes = [
            ("sport/tennis/player1/#", "sport/tennis/player1"),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking"),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
            ("sport/#", "sport"),
            ("#", "a/b"),
            ("sport/tennis/+", "sport/tennis/player1"),
            ("sport/+", "sport/"),
            ("+/+", "/finance"),
            ("/+", "/finance"),
            ("$SYS/#", "$SYS/broker"),
            ("$SYS/monitor/+", "$SYS/monitor/Clients"),
        ];
        for (filter, topic) in yes {
            assert!(is_filter(filter) && matches(filter, topic), "{filter} {topic}");
        }
        let no = [
            ("sport/tennis/+", "sport/tennis/player1/ranking"),
            ("sport/+", "sport"),
            ("+", "/finance"),
            ("#", "$SYS/broker"),
            ("+/monitor/Clients", "$SYS/monitor/Clients"),
            ("a/b", "a/B"),
        ];
        for (filter, topic) in no {
            assert!(is_filter(filter) && !matches(filter, topic), "{filter} {topic}");
        }
        for filter in ["", "sport/tennis#", "sport/tennis/#/ranking", "sport+"] {
            assert!(!is_filter(filter), "{filter}");
        }
    }
}
