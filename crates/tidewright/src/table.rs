//! Tables of plain text that keep inside the window: what matters least goes first, then long texts are shortened.

use crate::wrap::{columns, shortened};

/// Between two columns.
const GAP: usize = 2;

/// How a column stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// Texts.
    Left,
    /// Numbers.
    Right,
}

/// One column.
#[derive(Clone, Debug)]
pub struct Column {
    /// Its heading.
    pub head: &'static str,
    /// Where its texts stand.
    pub side: Side,
    /// Columns of least weight are left out first when the window is narrow; 0 stays always.
    pub leaves: u8,
    /// It may be shortened to so many columns of text.
    pub least: usize,
}

impl Column {
    /// A column of texts that may be shortened to `least`.
    pub fn text(head: &'static str, leaves: u8, least: usize) -> Self {
        Column { head, side: Side::Left, leaves, least }
    }

    /// A column of numbers, never shortened.
    pub fn number(head: &'static str, leaves: u8) -> Self {
        Column { head, side: Side::Right, leaves, least: usize::MAX }
    }
}

/// A table: headings, and rows with a text for each.
#[derive(Clone, Debug)]
pub struct Table {
    /// What stands in the columns.
    pub columns: Vec<Column>,
    /// Rows; a missing text is blank.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// Lays the table out in at most `width` columns where that is possible, each line indented.
    pub fn render(&self, width: usize, indent: usize) -> String {
        let cell = |row: &[String], c: usize| row.get(c).map_or(0, |text| columns(text));
        let natural: Vec<usize> = (self.columns.iter().enumerate())
            .map(|(c, column)| {
                self.rows.iter().map(|row| cell(row, c)).max().unwrap_or(0).max(columns(column.head))
            })
            .collect();
        let least: Vec<usize> = (self.columns.iter().zip(&natural))
            .map(|(column, natural)| column.least.max(columns(column.head)).min(*natural))
            .collect();
        let mut shown: Vec<usize> = (0..self.columns.len()).collect();
        let total = |shown: &[usize], widths: &[usize]| {
            indent + shown.iter().map(|&c| widths[c]).sum::<usize>() + GAP * shown.len().saturating_sub(1)
        };
        // A column goes only if shortening alone cannot make the table fit.
        while total(&shown, &least) > width {
            let Some(&out) = shown
                .iter()
                .filter(|&&c| self.columns[c].leaves > 0)
                .max_by_key(|&&c| self.columns[c].leaves)
            else {
                break;
            };
            shown.retain(|&c| c != out);
        }
        let mut widths = natural;
        while total(&shown, &widths) > width {
            let Some(&widest) =
                shown.iter().filter(|&&c| widths[c] > least[c]).max_by_key(|&&c| widths[c] - least[c])
            else {
                break;
            };
            widths[widest] -= 1;
        }
        let margin = " ".repeat(indent);
        let line = |texts: &dyn Fn(usize) -> String| {
            let cells: Vec<String> = shown.iter().map(|&c| self.aligned(c, &texts(c), widths[c])).collect();
            format!("{margin}{}\n", cells.join(&" ".repeat(GAP)).trim_end())
        };
        let mut out = line(&|c| self.columns[c].head.to_owned());
        out += &line(&|c| "-".repeat(widths[c]));
        for row in &self.rows {
            out += &line(&|c| row.get(c).cloned().unwrap_or_default());
        }
        out
    }

    fn aligned(&self, c: usize, text: &str, width: usize) -> String {
        let text = shortened(text, width);
        let blank = " ".repeat(width - columns(&text));
        match self.columns[c].side {
            Side::Left => text + &blank,
            Side::Right => blank + &text,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Column, Table};

    fn table() -> Table {
        Table {
            columns: vec![
                Column::text("Part", 0, 6),
                Column::number("Hours", 0),
                Column::text("Remark", 1, 6),
            ],
            rows: vec![
                vec!["return_pump".to_owned(), "4.5".to_owned(), "told in time".to_owned()],
                vec!["heater".to_owned(), "12".to_owned()],
            ],
        }
    }

    #[test]
    fn stands_as_it_is_where_there_is_room() {
        assert_eq!(
            table().render(60, 0),
            "Part         Hours  Remark\n-----------  -----  ------------\n\
             return_pump    4.5  told in time\nheater          12\n"
        );
    }

    #[test]
    fn shortens_before_it_leaves_out() {
        assert_eq!(
            table().render(25, 0),
            "Part      Hours  Remark\n--------  -----  --------\n\
             return..    4.5  told i..\nheater       12\n"
        );
        assert_eq!(
            table().render(16, 0),
            "Part       Hours\n---------  -----\nreturn_..    4.5\nheater        12\n"
        );
    }

    #[test]
    fn no_line_is_longer_than_the_window() {
        for width in 13..80 {
            assert!(table().render(width, 0).lines().all(|line| line.len() <= width), "{width}");
        }
    }
}
