//! Quantities on the command line: the same spellings as in the system file, mistakes told in one line.

use units::{Kind, Quantity, UnitError};

/// A text and what it says, in the base unit of its kind.
pub type Parsed = Result<f64, String>;

fn sentence(error: &UnitError) -> String {
    format!("{error}; {}", error.help())
}

/// A quantity of one kind.
pub fn of(text: &str, kind: Kind) -> Parsed {
    Quantity::parse_as(text, kind).map(|q| q.value).map_err(|error| sentence(&error))
}

/// A quantity of any of a few kinds; a mistake is told for the first.
pub fn any_of(text: &str, kinds: &[Kind]) -> Result<Quantity, String> {
    let first = kinds.first().copied().unwrap_or(Kind::Ratio);
    let found = kinds.iter().find_map(|kind| Quantity::parse_as(text, *kind).ok());
    found.map_or_else(|| Quantity::parse_as(text, first).map_err(|error| sentence(&error)), Ok)
}

/// °C.
pub fn temperature(text: &str) -> Parsed {
    of(text, Kind::Temperature)
}

/// Practical salinity.
pub fn salinity(text: &str) -> Parsed {
    of(text, Kind::Salinity)
}

/// mS/cm.
pub fn conductivity(text: &str) -> Parsed {
    of(text, Kind::Conductivity)
}

/// pH on whichever scale the option names.
pub fn ph(text: &str) -> Parsed {
    of(text, Kind::Ph)
}

/// s.
pub fn time(text: &str) -> Parsed {
    let seconds = of(text, Kind::Time)?;
    if seconds > 0.0 { Ok(seconds) } else { Err("a time above nought is needed, such as `72 h`".to_owned()) }
}

/// W.
pub fn power(text: &str) -> Parsed {
    of(text, Kind::Power)
}

/// V.
pub fn voltage(text: &str) -> Parsed {
    of(text, Kind::Voltage)
}

/// A plain number above nought; a specific gravity.
pub fn gravity(text: &str) -> Parsed {
    let number = text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
    number.ok_or_else(|| "write a plain number such as `1.0264`".to_owned())
}

/// Alkalinity or DIC, by mass or by volume.
pub fn amount(text: &str) -> Result<Quantity, String> {
    any_of(text, &[Kind::AmountPerMass, Kind::AmountPerVolume])
}

/// Calcium: mg/L as kits give it, or an amount.
pub fn calcium(text: &str) -> Result<Quantity, String> {
    any_of(text, &[Kind::Concentration, Kind::AmountPerMass, Kind::AmountPerVolume])
}

/// A partial pressure of CO2, or its share of dry air.
pub fn pco2(text: &str) -> Result<Quantity, String> {
    if text.trim().parse::<f64>().is_ok() {
        return Err("the unit is missing; write `420 uatm`, or `420 ppm` for a share of dry air".to_owned());
    }
    any_of(text, &[Kind::Pressure, Kind::Ratio])
}

/// Three lengths: `60x40x45 cm`, `600 mm x 400 mm x 450 mm`, `24x16x18 in`. m.
pub fn sides(text: &str) -> Result<[f64; 3], String> {
    const FORM: &str = "write length x depth x height, such as `600x400x450 mm` or `24x16x18 in`";
    let parts: Vec<&str> = text.split(['x', 'X', '*']).map(str::trim).collect();
    let [length, depth, height] = parts[..] else { return Err(FORM.to_owned()) };
    // The last unit stands for those that have none.
    let unit = height.trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | '/' | ' '));
    let mut sides = [0.0; 3];
    for (side, text) in sides.iter_mut().zip([length, depth, height]) {
        let bare = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        let written = if bare { format!("{text} {unit}") } else { text.to_owned() };
        *side = of(&written, Kind::Length).map_err(|error| format!("{error}; {FORM}"))?;
        if *side <= 0.0 {
            return Err(format!("a side of nought or less; {FORM}"));
        }
    }
    Ok(sides)
}

#[cfg(test)]
mod tests {
    use super::{gravity, pco2, sides, time};

    #[test]
    fn sides_take_one_unit_or_three() {
        assert_eq!(sides("60x40x45 cm"), Ok([0.6, 0.4, 0.45]));
        assert_eq!(sides("600 mm x 40cm x 0.45 m"), Ok([0.6, 0.4, 0.45]));
        assert_eq!(
            sides("24 x 16 x 18in").map(|s| s.map(|x| (x * 1e4).round())),
            Ok([6096.0, 4064.0, 4572.0])
        );
        for wrong in ["", "60x40", "60x40x45", "ax b x c", "60x40x-45 cm", "0x1x1 m", "60x40x45 L"] {
            assert!(sides(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn mistakes_are_sentences() {
        assert!(pco2("420").is_err_and(|text| text.contains("unit is missing")));
        assert!(time("-3 h").is_err() && time("0 s").is_err());
        assert!(gravity("1.0264").is_ok() && gravity("heavy").is_err());
    }
}
