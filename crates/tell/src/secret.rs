//! Passwords, tokens and keys: read from a file or the environment, never written anywhere.

use std::fmt;
use std::path::{Path, PathBuf};

use serde::Deserialize;

/// Where a secret stands; the settings name the place, never the secret itself.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum SecretPlace {
    /// A file whose whole text, less white space at its end, is the secret. A relative path counts from the settings' folder.
    File(PathBuf),
    /// A variable of the environment.
    Env(String),
}

/// A secret in memory. It has no `Display`, and `Debug` shows nothing of it, so it can't get into a log by being printed with what holds it.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// A secret from its text.
    pub fn new(text: impl Into<String>) -> Secret {
        Secret(text.into())
    }

    /// The text, for the one place that needs it.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

impl SecretPlace {
    /// Reads the secret; `folder` is where relative paths begin. The error says which place and what to do.
    pub fn read(&self, folder: &Path) -> Result<Secret, String> {
        let text = match self {
            SecretPlace::File(path) => {
                let path = folder.join(path);
                std::fs::read_to_string(&path)
                    .map_err(|error| format!("the secret file {} can't be read: {error}", path.display()))?
            }
            SecretPlace::Env(name) => std::env::var(name)
                .map_err(|_| format!("the variable {name} of the environment is not set (or not text); set it where the station is started"))?,
        };
        let text = text.trim_end();
        if text.is_empty() {
            return Err(match self {
                SecretPlace::File(path) => {
                    format!("the secret file {} is empty", folder.join(path).display())
                }
                SecretPlace::Env(name) => format!("the variable {name} of the environment is empty"),
            });
        }
        Ok(Secret::new(text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_does_not_print_itself() {
        let secret = Secret::new("limewater");
        assert!(!format!("{secret:?} {:#?}", Some(&secret)).contains("lime"));
        assert_eq!(secret.expose(), "limewater");
    }

    #[test]
    fn places_that_hold_nothing_are_named() {
        let nowhere =
            SecretPlace::File("no-such-file".into()).read(Path::new("folder")).expect_err("there is none");
        assert!(nowhere.contains("no-such-file"), "{nowhere}");
        let unset =
            SecretPlace::Env("TIDEWRIGHT_TEST_UNSET".into()).read(Path::new(".")).expect_err("there is none");
        assert!(unset.contains("TIDEWRIGHT_TEST_UNSET"), "{unset}");
    }
}
