//! `tidewright trial`: another program on a board that runs, tried, kept or given up over the cable.

use std::io;
use std::path::Path;
use std::time::{Duration, Instant};

use link::Client;
use link::client::ClientError;
use link::message::AnswerCode;
use link::transport::{Serial, Transport};
use program::Program;
use serde_json::json;

use super::build;
use crate::arguments::TrialOptions;
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::open::open;
use crate::progress::Progress;
use crate::{json, wrap};

/// A board that starts anew when its port is opened waits in its bootloader, marches its memory and takes a temperature first.
const MEETS_WITHIN: Duration = Duration::from_secs(8);
/// From the end of an upload until the board runs the program; see above.
const STARTS_WITHIN: Duration = Duration::from_secs(15);
/// Longest trial, minutes: one byte of the message.
const LONGEST_MIN: f64 = 255.0;

/// Does what was asked and tells.
pub fn run(options: &TrialOptions, console: &mut Console) -> Result<Ending, Failure> {
    let minutes = (options.time / 60.0).round();
    if !(1.0..=LONGEST_MIN).contains(&minutes) {
        return Err(Failure::new("a trial takes 1 min to 4 h 15 min").help("give such a time with --time"));
    }
    let (act, minutes) = match &options.file {
        Some(file) => {
            let Some(bytes) = program(file, console)? else { return Ok(Ending::Unreadable) };
            let mut line = open_port(&options.port)?;
            let mut client = meet(&mut line, &options.port)?;
            begin(&mut client, &bytes, minutes as u8, options)?;
            return tell(&client, "trial", Some(minutes as u8), options, console);
        }
        None if options.confirm => ("confirm", None),
        None => ("revert", None),
    };
    let mut line = open_port(&options.port)?;
    let mut client = meet(&mut line, &options.port)?;
    let tried = client.board().running_crc;
    let done = if options.confirm { client.confirm() } else { client.revert() };
    done.map_err(|error| refused(&error, &options.port))?;
    // A trial that is given up lets the board start anew.
    let until = Instant::now() + STARTS_WITHIN;
    loop {
        match client.hello() {
            Ok(hello) if options.confirm || hello.running_crc != tried => break,
            Err(error) if Instant::now() >= until => return Err(refused(&error, &options.port)),
            _ if Instant::now() >= until => break,
            _ => std::thread::sleep(Duration::from_millis(100)),
        }
    }
    tell(&client, act, minutes, options, console)
}

/// The program of a system file, or one that was built. None: something is wrong with the file, and was told.
fn program(file: &Path, console: &mut Console) -> Result<Option<Vec<u8>>, Failure> {
    if !file.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("tw")) {
        let Some(opened) = open(file, "trial", console) else { return Ok(None) };
        return Ok(build::make(&opened, "trial", console).map(|made| made.tables.program));
    }
    let shown = file.display();
    let bytes = std::fs::read(file).map_err(|error| {
        Failure::new(format!("cannot read `{shown}`: {error}"))
            .help("name a program that `tidewright build --program-only` wrote")
    })?;
    match Program::validate(&bytes) {
        Ok(_) => Ok(Some(bytes)),
        Err(error) => Err(Failure::new(format!("`{shown}`: {error}"))
            .help("build it again with `tidewright build --program-only`")),
    }
}

fn open_port(port: &str) -> Result<Serial, Failure> {
    Serial::open(port).map_err(|error| {
        let ports = image::boot::serial::ports();
        let known = if ports.is_empty() { "there is none".to_owned() } else { ports.join(", ") };
        Failure::new(format!("cannot open `{port}`: {error}")).help(format!(
            "look at the cable and the name of the port, close other programs that use it; ports of this machine: {known}"
        ))
    })
}

/// The port, lent to a client.
struct Cable<'p>(&'p mut Serial);

impl Transport for Cable<'_> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.0.receive(buffer, wait)
    }
}

/// Meets the board, however long it takes to start. The port is opened once: each opening would start it anew.
fn meet<'p>(line: &'p mut Serial, port: &str) -> Result<Client<Cable<'p>>, Failure> {
    let until = Instant::now() + MEETS_WITHIN;
    loop {
        match Client::over_cable(Cable(line)) {
            Ok(_) => break,
            Err(ClientError::NoAnswer) if Instant::now() < until => {}
            Err(error) => return Err(refused(&error, port)),
        }
    }
    Client::over_cable(Cable(line)).map_err(|error| refused(&error, port))
}

/// Uploads a program and waits until the board runs it.
fn begin(
    client: &mut Client<Cable<'_>>,
    bytes: &[u8],
    minutes: u8,
    options: &TrialOptions,
) -> Result<(), Failure> {
    let port = &options.port;
    let Ok(program) = Program::validate(bytes) else {
        return Err(Failure::new("the program is not readable").help("build it again"));
    };
    let wiring = client.board().wiring_crc;
    if wiring != program.wiring_crc() {
        return Err(Failure::new(format!(
            "{port}: the board is wired otherwise: wiring {wiring:08x}, the program is for {:08x}",
            program.wiring_crc()
        ))
        .help("build and flash the whole image: `tidewright flash`"));
    }
    if client.board().running_crc == program.crc() {
        return Err(Failure::new(format!("{port}: the board runs this program already"))
            .help("confirm a trial with --confirm; nothing is to be done else"));
    }
    let progress = Progress::new(options.progress, "upload");
    let sent = client.upload(bytes, minutes, |done| progress.tell(done, bytes.len()));
    drop(progress);
    sent.map_err(|error| refused(&error, port))?;
    match client.wait_for_program(program.crc(), STARTS_WITHIN) {
        Ok(true) => Ok(()),
        Ok(false) => Err(Failure::new(format!(
            "{port}: the board came back with program {:08x} instead",
            client.board().running_crc
        ))
        .help("ask it again; its journal tells why it fell back")),
        Err(error) => Err(refused(&error, port)),
    }
}

fn refused(error: &ClientError, port: &str) -> Failure {
    let help = match error {
        ClientError::Line(_) => {
            "plug the cable in and run the same command again; the board keeps its last program"
        }
        ClientError::NoAnswer => {
            "look at port, power and cable; a board without a runtime needs `tidewright flash` first"
        }
        ClientError::Refused(AnswerCode::Trial, _) => {
            "`--confirm` keeps and `--revert` gives up the program that is tried, if one is"
        }
        ClientError::Refused(AnswerCode::Program, _) => {
            "flash the runtime of this tidewright: `tidewright flash`"
        }
        _ => "run the same command again",
    };
    Failure::new(format!("{port}: {error}")).help(help)
}

fn tell(
    client: &Client<Cable<'_>>,
    act: &str,
    minutes: Option<u8>,
    options: &TrialOptions,
    console: &mut Console,
) -> Result<Ending, Failure> {
    let board = client.board();
    let running = board.running_crc;
    let kind = match board.program {
        1 => "confirmed",
        2 => "trial",
        _ => "golden",
    };
    if console.is_json() {
        console.print_json(&json::answer(
            "trial",
            json!({
                "port": options.port,
                "act": act,
                "running_crc": format!("{running:08x}"),
                "program": kind,
                "minutes": minutes,
            }),
        ));
        return Ok(Ending::Clean);
    }
    let text = match (act, minutes) {
        ("trial", Some(minutes)) => format!(
            "The board tries program {running:08x} for {minutes} min. `tidewright trial --confirm --port {}` keeps it.",
            options.port
        ),
        ("confirm", _) => format!("Program {running:08x} is confirmed."),
        _ => format!("The trial is given up; the board runs program {running:08x} ({kind})."),
    };
    console.print(&wrap::hanging(&text, console.width, 0));
    Ok(Ending::Clean)
}
