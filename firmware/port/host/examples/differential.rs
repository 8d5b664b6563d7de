//! The long run of the VM in C against the reference:
//! `cargo run --release -p firmware-host --example differential -- 500000 [scans] [first seed]`.
//!
//! Programs are drawn from seeds that follow each other. The C code keeps its state in statics, so each processor works in a process of
//! its own. For each operation and variant it says how often it was carried out, and ends with an error at the first difference.

use firmware_host::Runtime;
use firmware_host::differential::{Coverage, damage, run};
use std::process::{Command, ExitCode, Stdio};

const USAGE: &str = "usage: differential PROGRAMS [SCANS [FIRST_SEED]]";
/// Scans of each program, unless said: two days of inputs that jump, and delays that come to their ends.
const N_SCANS: u64 = 50;
const WORKER: &str = "--worker";

fn main() -> ExitCode {
    let result = work();
    if let Err(error) = &result {
        eprintln!("differential: {error}");
    }
    if result.is_ok() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn work() -> Result<(), String> {
    let mut arguments: Vec<String> = std::env::args().skip(1).collect();
    let is_worker = arguments.first().is_some_and(|first| first == WORKER);
    if is_worker {
        arguments.remove(0);
    }
    let mut numbers = arguments.iter().map(|text| text.parse::<u64>().map_err(|_| USAGE.to_owned()));
    let n_programs = numbers.next().ok_or(USAGE)??;
    let n_scans = numbers.next().transpose()?.unwrap_or(N_SCANS);
    let first = numbers.next().transpose()?.unwrap_or(0);
    let n_scans = u32::try_from(n_scans).map_err(|_| USAGE)?;
    if is_worker {
        let coverage = run_here(first, n_programs, n_scans)?;
        println!("{}", line(&coverage));
        return Ok(());
    }
    let started = std::time::Instant::now();
    let coverage = share_out(first, n_programs, n_scans)?;
    report(&coverage, started.elapsed().as_secs_f64());
    Ok(())
}

fn run_here(first: u64, n_programs: u64, n_scans: u32) -> Result<Coverage, String> {
    let mut runtime = Runtime::lock();
    let mut coverage = Coverage::default();
    for seed in first..first + n_programs {
        run(&mut runtime, seed, n_scans, &mut coverage)?;
        damage(&mut runtime, seed, &mut coverage)?;
    }
    Ok(coverage)
}

fn share_out(first: u64, n_programs: u64, n_scans: u32) -> Result<Coverage, String> {
    let n_workers = std::thread::available_parallelism().map_or(1, |n| n.get() as u64);
    let program = std::env::current_exe().map_err(|error| format!("own program: {error}"))?;
    let share = n_programs.div_ceil(n_workers);
    let mut workers = Vec::new();
    for worker in 0..n_workers {
        let n = share.min(n_programs.saturating_sub(worker * share));
        let arguments = [n, n_scans.into(), first + worker * share].map(|number| number.to_string());
        let child = Command::new(&program).arg(WORKER).args(arguments).stdout(Stdio::piped()).spawn();
        workers.push(child.map_err(|error| format!("second process: {error}"))?);
    }
    let mut sum = Coverage::default();
    for worker in workers {
        let output = worker.wait_with_output().map_err(|error| format!("second process: {error}"))?;
        let text = String::from_utf8_lossy(&output.stdout);
        if !output.status.success() {
            return Err("the two do not agree; the seed stands above".into());
        }
        sum.add(&read(&text).ok_or("a process ended without its figures")?);
    }
    Ok(sum)
}

fn line(coverage: &Coverage) -> String {
    let all =
        [coverage.n_programs, coverage.n_scans].into_iter().chain(coverage.ops).chain(coverage.verdicts);
    all.map(|n| n.to_string()).collect::<Vec<_>>().join(" ")
}

fn read(text: &str) -> Option<Coverage> {
    let mut numbers = text.split_whitespace().map(|number| number.parse::<u64>().ok());
    let mut coverage =
        Coverage { n_programs: numbers.next()??, n_scans: numbers.next()??, ..Coverage::default() };
    for n in coverage.ops.iter_mut().chain(&mut coverage.verdicts) {
        *n = numbers.next()??;
    }
    Some(coverage)
}

fn report(coverage: &Coverage, seconds: f64) {
    let n_ops: u64 = coverage.ops.iter().sum();
    println!(
        "{} programs, {} scans, {n_ops} operations carried out in both: the same bits ({seconds:.0} s)",
        coverage.n_programs, coverage.n_scans
    );
    println!("code  carried out, by variant 0 to 3");
    for code in 1..64 {
        let by_variant: Vec<u64> = (0..4).map(|variant| coverage.ops[variant << 6 | code]).collect();
        if by_variant.iter().any(|n| *n > 0) {
            let [a, b, c, d] = [by_variant[0], by_variant[1], by_variant[2], by_variant[3]];
            println!("0x{code:02X} {a:>13} {b:>13} {c:>13} {d:>13}");
        }
    }
    let n_damaged: u64 = coverage.verdicts.iter().sum();
    println!("{n_damaged} damaged programs with the same verdict; by verdict of firmware/core/vm.h:");
    for (verdict, n) in coverage.verdicts.iter().enumerate().filter(|(_, n)| **n > 0) {
        println!("{verdict:>4} {n:>13}");
    }
}
