//! Runs the built program in a folder of its own and compares what it did with a snapshot.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// A folder that is the program's working directory, and goes away with this.
pub struct Bench {
    folder: PathBuf,
}

/// What a run did.
pub struct Run {
    /// As typed.
    pub line: String,
    /// Exit code; None: killed by a signal.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Bench {
    /// A fresh folder, named for the test.
    pub fn new(name: &str) -> Self {
        let folder = std::env::temp_dir().join(format!("tidewright-cli-{name}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).expect("a folder for the test");
        Bench { folder }
    }

    /// A file of that name and content.
    pub fn file(&self, name: &str, content: impl AsRef<[u8]>) -> &Self {
        std::fs::write(self.folder.join(name), content).expect("a file of the test");
        self
    }

    /// A file of the repository's examples, under the given name.
    pub fn example(&self, path: &str, name: &str) -> &Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples");
        self.file(name, std::fs::read(root.join(path)).expect("an example"))
    }

    /// Content of a file.
    pub fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.folder.join(name)).expect("a file that the program wrote")
    }

    /// Bytes of a file.
    pub fn read_bytes(&self, name: &str) -> Vec<u8> {
        std::fs::read(self.folder.join(name)).expect("a file that the program wrote")
    }

    /// Names of all files, sorted.
    pub fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(&self.folder).expect("the folder of the test");
        let mut names: Vec<String> =
            entries.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    /// The program, ready to be given more.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tidewright"));
        command.current_dir(&self.folder).args(arguments).stdin(Stdio::null());
        command.env_remove("NO_COLOR").env("COLUMNS", "100");
        command
    }

    /// Runs the program without input.
    pub fn run(&self, arguments: &[&str]) -> Run {
        self.finish(arguments, self.command(arguments).output().expect("the program runs"))
    }

    /// Runs the program with text on its standard input.
    pub fn run_with(&self, arguments: &[&str], input: &str) -> Run {
        use std::io::Write;
        let mut child = self
            .command(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        child.stdin.take().expect("its input").write_all(input.as_bytes()).expect("takes input");
        self.finish(arguments, child.wait_with_output().expect("the program ends"))
    }

    fn finish(&self, arguments: &[&str], output: Output) -> Run {
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("the program writes UTF-8");
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        assert!(!err.contains("panicked"), "{arguments:?}: {err}");
        let quoted = |a: &&str| if a.contains([' ', '*']) { format!("'{a}'") } else { (*a).to_owned() };
        let line = arguments.iter().map(quoted).collect::<Vec<_>>().join(" ");
        Run { line, code: output.status.code(), out, err }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

impl Run {
    /// The whole run as text.
    fn shown(&self) -> String {
        let code = self.code.map_or_else(|| "none".to_owned(), |code| code.to_string());
        format!(
            "$ tidewright {}\nexit code: {code}\n---- stdout ----\n{}---- stderr ----\n{}",
            self.line, self.out, self.err
        )
    }

    /// Holds the run against its snapshot.
    pub fn matches(&self, name: &str) -> &Self {
        let path =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cli/snapshots").join(format!("{name}.txt"));
        let shown = self.shown();
        if std::env::var_os("UPDATE_SNAPSHOTS").is_some() {
            std::fs::write(&path, &shown).expect("the snapshot can be written");
            return self;
        }
        let wanted = std::fs::read_to_string(&path).unwrap_or_default().replace("\r\n", "\n");
        if wanted != shown {
            let first = wanted.lines().zip(shown.lines()).position(|(a, b)| a != b);
            let first = first.unwrap_or_else(|| wanted.lines().count().min(shown.lines().count()));
            panic!(
                "{} differs from line {} on.\n---- wanted\n{wanted}\n---- got\n{shown}\n\
                 UPDATE_SNAPSHOTS=1 accepts it",
                path.display(),
                first + 1
            );
        }
        self
    }

    /// The exit code must be this.
    pub fn ends_with(&self, code: i32) -> &Self {
        assert_eq!(self.code, Some(code), "{}", self.shown());
        self
    }

    /// The standard output as JSON, its frame checked.
    pub fn json(&self, format: &str) -> serde_json::Value {
        let value: serde_json::Value = serde_json::from_str(&self.out).expect("the output is JSON");
        assert_eq!(value["format"], format);
        assert_eq!(value["version"], 1);
        value
    }
}
