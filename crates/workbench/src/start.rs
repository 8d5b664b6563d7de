//! A design from nothing: the few questions of the guided form, and the file that the answers make.

use serde::Serialize;
use serde_json::{Map, Value, json};
use system::parts::Library;
use system::starter::{self, Answers};
use units::{Kind, Quantity};

/// Questions that belong together.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Group {
    /// Stable id.
    pub id: &'static str,
    /// Heading.
    pub title: &'static str,
    /// Its questions.
    pub fields: Vec<Field>,
}

/// One question.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Field {
    /// Key of its answer.
    pub id: &'static str,
    /// The question.
    pub label: &'static str,
    /// What to measure or to think of.
    pub help: &'static str,
    /// `text`, `length`, `number`, `choice` or `yes`.
    pub kind: &'static str,
    /// Unit of a number; lengths are answered as a text with their unit, or in m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<&'static str>,
    /// What is taken without an answer.
    pub default: Value,
    /// What may be chosen.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub choices: Option<Vec<String>>,
    /// Least.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub min: Option<f64>,
    /// Most.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max: Option<f64>,
}

/// Sides of a tank that are laid out, m.
const SIDES: (f64, f64) = (0.25, 4.0);
/// Longest texts that are taken, characters.
const LONGEST: usize = 200;

fn field(
    id: &'static str,
    label: &'static str,
    help: &'static str,
    kind: &'static str,
    default: Value,
) -> Field {
    Field { id, label, help, kind, unit: None, default, choices: None, min: None, max: None }
}

fn length(id: &'static str, label: &'static str, help: &'static str, metres: f64) -> Field {
    let default = json!(format!("{:.0} mm", metres * 1000.0));
    Field {
        min: Some(SIDES.0),
        max: Some(SIDES.1),
        unit: Some("m"),
        ..field(id, label, help, "length", default)
    }
}

fn number(
    id: &'static str,
    label: &'static str,
    help: &'static str,
    unit: &'static str,
    default: f64,
    range: (f64, f64),
) -> Field {
    Field {
        unit: Some(unit),
        min: Some(range.0),
        max: Some(range.1),
        ..field(id, label, help, "number", json!(default))
    }
}

/// All questions with what is taken without an answer.
pub fn questions() -> Vec<Group> {
    let usual = Answers::default();
    let sump = usual.sump.unwrap_or([0.5, 0.3, 0.35]);
    let chips: Vec<String> = chips();
    vec![
        Group {
            id: "system",
            title: "The tank",
            fields: vec![
                field("name", "What is it called?", "A name for titles.", "text", json!(usual.name)),
                length("display_length", "Display, length", "Inside, along the front.", usual.display[0]),
                length("display_depth", "Display, depth", "Inside, from front to back.", usual.display[1]),
                length("display_height", "Display, height", "Inside, from floor to rim.", usual.display[2]),
            ],
        },
        Group {
            id: "sump",
            title: "Below it",
            fields: vec![
                field(
                    "sump",
                    "Is there a sump?",
                    "A second tank below that holds gear and evens out the level.",
                    "yes",
                    json!(true),
                ),
                length("sump_length", "Sump, length", "Inside.", sump[0]),
                length("sump_depth", "Sump, depth", "Inside.", sump[1]),
                length("sump_height", "Sump, height", "Inside.", sump[2]),
                field(
                    "top_off",
                    "Is evaporation replaced by a pump?",
                    "A reservoir of fresh water with a slow pump.",
                    "yes",
                    json!(usual.top_off),
                ),
            ],
        },
        Group {
            id: "gear",
            title: "Heat, light, electronics",
            fields: vec![
                number(
                    "heater_watts",
                    "Power of each of two heaters",
                    "Two small ones on two circuits; one alone should hold the coldest room.",
                    "W",
                    usual.heater_watts,
                    (10.0, 2000.0),
                ),
                field(
                    "light",
                    "Is there a light that is switched?",
                    "One lamp on a daily schedule.",
                    "yes",
                    json!(usual.light_watts.is_some()),
                ),
                number(
                    "light_watts",
                    "Power of the light",
                    "As on its label.",
                    "W",
                    usual.light_watts.unwrap_or(60.0),
                    (1.0, 2000.0),
                ),
                Field {
                    choices: Some(chips),
                    ..field(
                        "chip",
                        "Chip of the board",
                        "The part number on the largest chip.",
                        "choice",
                        json!(usual.chip),
                    )
                },
                number(
                    "mains_volts",
                    "Voltage of the mains",
                    "230 V in most of the world, 120 V in North America.",
                    "V",
                    usual.mains_volts,
                    (90.0, 264.0),
                ),
            ],
        },
        Group {
            id: "place",
            title: "The house",
            fields: vec![
                field(
                    "timezone",
                    "Time zone",
                    "In the POSIX form, such as CET-1CEST,M3.5.0,M10.5.0/3.",
                    "text",
                    json!(usual.timezone),
                ),
                number(
                    "unattended_hours",
                    "How long is nobody there?",
                    "The longest usual absence: a weekend is 63 h.",
                    "h",
                    usual.unattended_hours,
                    (1.0, 1000.0),
                ),
            ],
        },
    ]
}

/// Chips that a runtime of ours runs on.
fn chips() -> Vec<String> {
    let chips = Library::builtin().chips();
    chips.iter().filter(|chip| chip.code.is_some()).map(|chip| chip.name.clone()).collect()
}

/// The commented file that the answers make. What is not answered is taken as usual.
///
/// # Errors
///
/// Which answer cannot be taken, and what would be right.
pub fn start(answers: &Map<String, Value>) -> Result<String, String> {
    let known: Vec<Field> = questions().into_iter().flat_map(|group| group.fields).collect();
    if let Some(other) = answers.keys().find(|key| known.iter().all(|field| field.id != key.as_str())) {
        return Err(format!("there is no question `{other}`; /api/v1/design/questions lists them"));
    }
    let answers = Given { answers, known: &known };
    let display = [
        answers.length("display_length")?,
        answers.length("display_depth")?,
        answers.length("display_height")?,
    ];
    let sump = match answers.yes("sump")? {
        true => Some([
            answers.length("sump_length")?,
            answers.length("sump_depth")?,
            answers.length("sump_height")?,
        ]),
        false => None,
    };
    // Heaters follow the size of the tank unless their power is said.
    let heater_watts = match answers.answers.contains_key("heater_watts") {
        true => answers.number("heater_watts")?,
        false => starter::usual_heater_watts(display),
    };
    let light_watts = match answers.yes("light")? {
        true => Some(answers.number("light_watts")?),
        false => None,
    };
    Ok(starter::write(&Answers {
        name: answers.text("name")?,
        display,
        sump,
        top_off: answers.yes("top_off")?,
        heater_watts,
        light_watts,
        chip: answers.choice("chip")?,
        mains_volts: answers.number("mains_volts")?,
        timezone: answers.text("timezone")?,
        unattended_hours: answers.number("unattended_hours")?,
    }))
}

struct Given<'a> {
    answers: &'a Map<String, Value>,
    known: &'a [Field],
}

impl Given<'_> {
    /// The answer, else what is taken without; with its question.
    fn of(&self, id: &str) -> Result<(Value, &Field), String> {
        let field =
            self.known.iter().find(|field| field.id == id).ok_or_else(|| format!("no question `{id}`"))?;
        Ok((self.answers.get(id).unwrap_or(&field.default).clone(), field))
    }

    fn yes(&self, id: &str) -> Result<bool, String> {
        let (value, field) = self.of(id)?;
        value.as_bool().ok_or_else(|| format!("`{id}` ({}): answer true or false", field.label))
    }

    fn within(x: f64, field: &Field) -> Result<f64, String> {
        let (min, max) = (field.min.unwrap_or(f64::MIN), field.max.unwrap_or(f64::MAX));
        let unit = field.unit.unwrap_or_default();
        if (min..=max).contains(&x) {
            Ok(x)
        } else {
            Err(format!("`{}` ({}): from {min} to {max} {unit}", field.id, field.label))
        }
    }

    fn number(&self, id: &str) -> Result<f64, String> {
        let (value, field) = self.of(id)?;
        let x = value.as_f64().ok_or_else(|| format!("`{id}` ({}): answer a number", field.label))?;
        Given::within(x, field)
    }

    /// m; a text carries its unit.
    fn length(&self, id: &str) -> Result<f64, String> {
        let (value, field) = self.of(id)?;
        let metres = match &value {
            Value::String(text) => {
                Quantity::parse_as(text, Kind::Length)
                    .map_err(|error| format!("`{id}` ({}): {error}: {}", field.label, error.help()))?
                    .value
            }
            other => other.as_f64().ok_or_else(|| {
                format!("`{id}` ({}): answer a length with its unit, such as \"600 mm\"", field.label)
            })?,
        };
        Given::within(metres, field)
    }

    fn text(&self, id: &str) -> Result<String, String> {
        let (value, field) = self.of(id)?;
        match value.as_str() {
            Some(text) if text.chars().count() <= LONGEST && !text.chars().any(char::is_control) => {
                Ok(text.trim().to_owned())
            }
            _ => Err(format!("`{id}` ({}): answer a text of at most {LONGEST} characters", field.label)),
        }
    }

    fn choice(&self, id: &str) -> Result<String, String> {
        let (value, field) = self.of(id)?;
        let all = field.choices.as_deref().unwrap_or_default();
        match value.as_str().filter(|text| all.iter().any(|one| one == text)) {
            Some(text) => Ok(text.to_owned()),
            None => Err(format!("`{id}` ({}): one of {}", field.label, all.join(", "))),
        }
    }
}
