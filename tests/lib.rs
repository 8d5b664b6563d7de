//! Reader for the reference tables in `tests/reference`, shared by the tests of every crate.
//!
//! A table is a comma-separated file: line 1 a `#` comment with source and basis, line 2 the header with units in
//! the column names, then data without quotes. `inf` means never. Columns are asked for by their whole header, unit
//! included, so that a test cannot take one unit for another. This crate imports nothing, so any crate may use it
//! as a dev-dependency; every failure panics with the file and place, because only tests call it.

use std::path::PathBuf;

/// One reference table, read whole.
#[derive(Debug, Clone)]
pub struct Table {
    /// The file's name without its ending.
    pub name: String,
    /// The comment in line 1: where the values come from.
    pub source: String,
    header: Vec<String>,
    cells: Vec<Vec<String>>,
}

/// One line of a [`Table`].
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    table: &'a Table,
    idx: usize,
}

impl Table {
    /// Reads `tests/reference/<name>.csv`.
    ///
    /// # Panics
    ///
    /// If the file is missing or a line has another number of fields than the header.
    pub fn load(name: &str) -> Self {
        let path: PathBuf =
            [env!("CARGO_MANIFEST_DIR"), "reference", &format!("{name}.csv")].iter().collect();
        let text = std::fs::read_to_string(&path)
            .unwrap_or_else(|error| panic!("cannot read the reference table {}: {error}", path.display()));
        Self::from_text(name, &text)
    }

    fn from_text(name: &str, text: &str) -> Self {
        let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()).peekable();
        let source = lines
            .next_if(|(_, line)| line.starts_with('#'))
            .map_or_else(String::new, |(_, line)| line.trim_start_matches('#').trim().to_owned());
        let split = |line: &str| line.split(',').map(|cell| cell.trim().to_owned()).collect::<Vec<_>>();
        let header = lines.next().map(|(_, line)| split(line)).unwrap_or_default();
        let cells: Vec<Vec<String>> = lines
            .map(|(line_idx, line)| {
                let cells = split(line);
                assert!(
                    cells.len() == header.len(),
                    "{name}.csv:{}: {} fields under {} headings",
                    line_idx + 1,
                    cells.len(),
                    header.len()
                );
                cells
            })
            .collect();
        Self { name: name.to_owned(), source, header, cells }
    }

    /// The column headings, units included.
    pub fn columns(&self) -> &[String] {
        &self.header
    }

    /// How many data rows there are.
    pub fn n_rows(&self) -> usize {
        self.cells.len()
    }

    /// The data rows in file order.
    pub fn rows(&self) -> impl ExactSizeIterator<Item = Row<'_>> {
        (0..self.cells.len()).map(|idx| Row { table: self, idx })
    }

    /// The rows whose `column` holds exactly `text`.
    ///
    /// # Panics
    ///
    /// If no row does: a filter that matches nothing would make its test pass for nothing.
    pub fn rows_where<'a>(&'a self, column: &str, text: &str) -> Vec<Row<'a>> {
        let rows: Vec<Row<'a>> = self.rows().filter(|row| row.str(column) == text).collect();
        assert!(!rows.is_empty(), "{}.csv: no row has {column} = {text}", self.name);
        rows
    }
}

impl<'a> Row<'a> {
    /// The cell under `column`, as text.
    ///
    /// # Panics
    ///
    /// If there is no such column.
    pub fn str(self, column: &str) -> &'a str {
        let column_idx = self.table.header.iter().position(|heading| heading == column);
        match column_idx {
            Some(column_idx) => &self.table.cells[self.idx][column_idx],
            None => {
                panic!(
                    "{}.csv: no column `{column}`; it has {}",
                    self.table.name,
                    self.table.header.join(", ")
                )
            }
        }
    }

    /// The cell under `column`, as a number; `inf` is infinity.
    ///
    /// # Panics
    ///
    /// If there is no such column or the cell is not a number.
    pub fn f64(self, column: &str) -> f64 {
        let text = self.str(column);
        text.parse()
            .unwrap_or_else(|_| panic!("{} column `{column}`: `{text}` is not a number", self.place()))
    }

    /// The cell under `column` as a number, or `None` where it is empty.
    ///
    /// # Panics
    ///
    /// If there is no such column or the cell holds something else.
    pub fn opt_f64(self, column: &str) -> Option<f64> {
        (!self.str(column).is_empty()).then(|| self.f64(column))
    }

    /// File and data row, to name in a failed assertion.
    pub fn place(self) -> String {
        format!("{}.csv row {}", self.table.name, self.idx + 1)
    }
}

/// Asserts that `got` is within `abs` of `want`.
///
/// # Panics
///
/// If it is not, naming `what`.
#[track_caller]
pub fn assert_abs(got: f64, want: f64, abs: f64, what: &str) {
    assert!((got - want).abs() <= abs, "{what}: got {got}, want {want} within {abs}");
}

/// Asserts that `got` is within the fraction `rel` of `want`.
///
/// # Panics
///
/// If it is not, naming `what`.
#[track_caller]
pub fn assert_rel(got: f64, want: f64, rel: f64, what: &str) {
    let off = if want == 0.0 { got.abs() } else { (got / want - 1.0).abs() };
    assert!(off <= rel, "{what}: got {got}, want {want} within {rel} of it (off by {off:.3e})");
}

#[cfg(test)]
mod tests {
    use super::Table;

    #[test]
    fn every_table_is_as_the_manifest_says() {
        let manifest = Table::load("MANIFEST");
        for row in manifest.rows() {
            let name = row.str("file").trim_end_matches(".csv");
            let table = Table::load(name);
            assert_eq!(Some(table.n_rows()), row.str("rows").parse().ok(), "{name}");
            assert!(!table.source.is_empty(), "{name} lacks its source");
        }
    }

    #[test]
    fn infinity_and_empty_cells_are_read() {
        let table = Table::from_text("t", "# s\na,b_m\ninf,\n1,x\n");
        let rows: Vec<_> = table.rows().collect();
        assert_eq!(rows[0].f64("a"), f64::INFINITY);
        assert_eq!(rows[0].opt_f64("b_m"), None);
        assert_eq!(rows[1].str("b_m"), "x");
        assert_eq!(table.rows_where("a", "1").len(), 1);
    }
}
