//! The program as a process: started, asked, ended in order or killed, and what it takes of the machine.

use std::fs::{self, File};
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::client::Client;

/// A start takes longer than this only when something is wrong.
const PATIENCE: Duration = Duration::from_secs(30);

/// How a station is started.
#[derive(Clone, Debug)]
pub struct Launch {
    /// The station file.
    pub file: PathBuf,
    /// Where its data are.
    pub data: PathBuf,
    /// Port on this machine.
    pub port: u16,
    /// It goes on when a file grows beyond its limit (RLIMIT_FSIZE), as on a disk that fails.
    pub outlives_file_limits: bool,
    /// It says as much as any of its parts can be made to say.
    pub is_talkative: bool,
}

impl Launch {
    pub fn new(file: &Path, data: &Path) -> Launch {
        let port = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|listener| listener.local_addr());
        Launch {
            file: file.to_owned(),
            data: data.to_owned(),
            port: port.expect("a port").port(),
            outlives_file_limits: false,
            is_talkative: false,
        }
    }

    /// What it said so far, of all its starts.
    pub fn log(&self) -> String {
        fs::read_to_string(self.log_path()).unwrap_or_default()
    }

    fn log_path(&self) -> PathBuf {
        self.file.with_extension("log")
    }

    /// Starts it and does not wait.
    pub fn spawn(&self) -> Station {
        let log = File::options().create(true).append(true).open(self.log_path()).expect("a log");
        let program = env!("CARGO_BIN_EXE_tidewright");
        let mut command = if self.outlives_file_limits {
            let mut shell = Command::new("sh");
            shell.args(["-c", "trap '' XFSZ; exec \"$0\" \"$@\"", program]);
            shell
        } else {
            Command::new(program)
        };
        command.arg("serve").arg(&self.file).arg("--data").arg(&self.data);
        command.args(["--port", &self.port.to_string()]);
        if self.is_talkative {
            command.env("RUST_LOG", "trace").env("RUST_BACKTRACE", "full");
        }
        command.stdin(Stdio::null()).stdout(log.try_clone().expect("a log")).stderr(log);
        Station { child: command.spawn().expect("the program starts") }
    }

    /// Starts it and waits for the first answer; gives also how long that took.
    pub fn start(&self) -> (Station, Duration) {
        let began = Instant::now();
        let mut station = self.spawn();
        let client = Client::new(self.port);
        loop {
            if client.get("/api/v1/session").is_ok_and(|answer| answer.status == 200) {
                return (station, began.elapsed());
            }
            if let Some(status) = station.child.try_wait().expect("a process") {
                panic!("the station ended with {status}: {}", self.log());
            }
            assert!(began.elapsed() < PATIENCE, "no answer in {PATIENCE:?}: {}", self.log());
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// The code for the first account.
    pub fn first_code(&self) -> String {
        let end = Instant::now() + PATIENCE;
        loop {
            // It listens a moment before the code stands there.
            match fs::read_to_string(self.data.join("first-owner-code")) {
                Ok(code) if !code.is_empty() => return code.trim().to_owned(),
                other => assert!(Instant::now() < end, "no code: {other:?}"),
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// The first owner of a new station, with a session.
    pub fn first_owner(&self) -> Client {
        let mut client = Client::new(self.port);
        let code = self.first_code();
        let body = serde_json::json!({
            "code": code, "name": "Keeper", "password": "barnacle wicket nine staircase",
        });
        let answer = client.post("/api/v1/account/first", &body).expect("an answer");
        assert_eq!(answer.status, 200, "{}", answer.text());
        let is_cookie = |line: &&str| line.to_lowercase().starts_with("set-cookie: ");
        let cookie = answer.head.lines().find(is_cookie).and_then(|line| line.get("set-cookie: ".len()..));
        cookie.and_then(|cookie| cookie.split(';').next()).expect("a cookie").clone_into(&mut client.cookie);
        client
    }
}

/// A station that runs. Dropped, it is killed.
#[derive(Debug)]
pub struct Station {
    child: Child,
}

impl Station {
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    pub fn is_running(&mut self) -> bool {
        self.child.try_wait().expect("a process").is_none()
    }

    /// SIGKILL.
    pub fn kill(mut self) {
        self.child.kill().expect("it is killed");
        self.child.wait().expect("it ends");
    }

    /// SIGTERM; gives how long it took to end, in order.
    pub fn end(mut self) -> Duration {
        let began = Instant::now();
        let told = Command::new("kill").arg(self.id().to_string()).status().expect("kill is there");
        assert!(told.success(), "it is told");
        let status = self.child.wait().expect("it ends");
        assert!(status.success(), "it ends in order: {status}");
        began.elapsed()
    }

    /// The most memory that it ever had, kB (`VmHWM` of proc(5)).
    pub fn most_memory_kb(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("it is told");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }

    /// Time of processors that it has used (fields 14 and 15 of /proc/PID/stat, in hundredths of a second; proc(5)).
    pub fn processor_time(&self) -> Duration {
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.id())).expect("it runs");
        let behind_name = stat.rsplit_once(") ").expect("a name").1;
        let fields: Vec<&str> = behind_name.split(' ').collect();
        let ticks = |n: usize| fields[n - 3].parse::<u64>().expect("a number");
        Duration::from_millis((ticks(14) + ticks(15)) * 10)
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        // One that has ended is not killed again.
        if self.child.try_wait().is_ok_and(|ended| ended.is_none()) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}
