//! Pages of a file that writes none: what needs attention, temperatures and pH, outputs two to a line. They show only what the
//! program computes anyway, so they cost no operation.

use program::panel::{Line, Piece, Source, Text, What, charset};
use system::model::ActuatorIdx;

use crate::panel::{Laid, Maker, is_usual};

/// Narrowest display that takes two outputs a line.
const TWO_A_LINE: u8 = 16;
const MOST_PAGES: usize = 16;
const STATES: [&[u8]; 2] = [b"off", b"on "];

impl Maker<'_> {
    pub(crate) fn usual_pages(&self, has_keys: bool) -> Vec<Vec<Line>> {
        let columns = self.columns;
        let mut lines: Vec<Line> = vec![];
        for sensor in self.system.sensors.iter().filter(|sensor| is_usual(&sensor.kind)) {
            if let Some(Laid::Fixed(value)) = self.number(sensor.signal, None) {
                let width: usize = value.iter().map(Piece::width).sum();
                lines.push(labelled(&sensor.name, usize::from(columns) - width, value));
            }
        }
        let mut drives: Vec<(u16, ActuatorIdx)> = (self.compiled.drives.iter().enumerate())
            .filter_map(|(actuator, drive)| Some(((*drive)?, ActuatorIdx(actuator))))
            .collect();
        drives.sort_unstable();
        let n_columns = if columns >= TWO_A_LINE { 2 } else { 1 };
        for group in drives.chunks(n_columns) {
            let mut line = vec![];
            for (drive, actuator) in group {
                let [off, on] = STATES;
                let what = What::State {
                    source: Source::Output((*drive).min(255) as u8),
                    is_negated: false,
                    when_true: on.to_vec(),
                    when_false: off.to_vec(),
                };
                let state = Piece::Place { width: 1 + on.len() as u8, what };
                let width = usize::from(columns) / n_columns - state.width();
                line.extend(labelled(&self.system.actuators[actuator.idx()].name, width, vec![state]));
            }
            lines.push(line);
        }
        self.in_pages(lines, has_keys)
    }

    /// The sentence stands on top of each page of several rows, the echo of a key at the bottom of a large one.
    fn in_pages(&self, lines: Vec<Line>, has_keys: bool) -> Vec<Vec<Line>> {
        let n_rows = usize::from(self.rows);
        let whole = |what: What| vec![Piece::Place { width: self.columns, what }];
        let has_echo = has_keys && n_rows > 2;
        let mut pages = vec![];
        if n_rows == 1 {
            pages.push(vec![whole(What::Attention)]);
            pages.extend(lines.into_iter().map(|line| vec![line]));
        } else {
            let n_free = n_rows - 1 - usize::from(has_echo);
            let groups: Vec<&[Line]> = lines.chunks(n_free).collect();
            for group in if groups.is_empty() { vec![&[][..]] } else { groups } {
                let mut page = vec![whole(What::Attention)];
                page.extend(group.iter().cloned());
                page.resize(n_rows - usize::from(has_echo), vec![]);
                if has_echo {
                    page.push(whole(What::Key));
                }
                pages.push(page);
            }
        }
        pages.truncate(MOST_PAGES);
        pages
    }
}

/// A name, cut or filled to so many columns, then what belongs to it.
fn labelled(name: &str, width: usize, value: Vec<Piece>) -> Line {
    let (mut label, _): (Text, _) = charset::encode(&name.replace('_', " "));
    label.resize(width, b' ');
    label.into_iter().map(Piece::Char).chain(value).collect()
}
