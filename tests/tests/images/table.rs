//! The tables of the firmware's page: compares them with measured figures, or writes them again.

use forewarm_tests::root;
use std::io::Write;
use std::sync::{Mutex, PoisonError};

/// How far a figure may be from the published one.
const TOLERANCE_PERCENT: u32 = 5;

/// A table of the page. Each row has what it describes, its figures, and in the last column the compiler.
#[derive(Debug, PartialEq)]
pub(crate) struct Row {
    pub(crate) of: [String; 2],
    pub(crate) figures: Vec<Option<u32>>,
    pub(crate) compiler: String,
}

fn shown(figure: Option<u32>) -> String {
    let Some(figure) = figure else { return "–".to_owned() };
    let digits = figure.to_string();
    let groups: Vec<&str> =
        digits.as_bytes().rchunks(3).rev().map(|group| std::str::from_utf8(group).expect("digits")).collect();
    groups.join(" ")
}

impl Row {
    fn text(&self) -> String {
        let figures: Vec<String> = self.figures.iter().map(|&figure| shown(figure)).collect();
        format!("| {} | {} | {} | {} |\n", self.of[0], self.of[1], figures.join(" | "), self.compiler)
    }

    fn read(line: &str) -> Self {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [image, target, figures @ .., compiler] = &cells[..] else { panic!("no row: {line}") };
        let figure = |cell: &&str| (*cell != "–").then(|| cell.replace(' ', "").parse().expect("a figure"));
        Self {
            of: [(*image).to_owned(), (*target).to_owned()],
            figures: figures.iter().map(figure).collect(),
            compiler: (*compiler).to_owned(),
        }
    }
}

/// Compares a table of the page with what was measured, or writes it again. A row from another compiler is only shown
/// beside the measured figures.
pub(crate) fn hold(table: &str, heads: &str, measured: &[Row]) {
    /// One test at a time reads and writes the page.
    static PAGE: Mutex<()> = Mutex::new(());
    let _page = PAGE.lock().unwrap_or_else(PoisonError::into_inner);
    let path = root().join("firmware/README.md");
    let text = std::fs::read_to_string(&path).expect("the firmware's page");
    let (begin, end) =
        (format!("<!-- {table}: written by tests/tests/images -->\n"), format!("<!-- end of {table} -->"));
    let (before, rest) = text.split_once(&begin).unwrap_or_else(|| panic!("the page has no table of {table}"));
    let (published, after) = rest.split_once(&end).expect("the end of the table");
    if std::env::var_os("FOREWARM_REFRESH").is_some() {
        let rule = heads.split('|').filter(|head| !head.is_empty()).enumerate();
        let rule: String = rule.map(|(index, _)| if index < 2 { "|---" } else { "|--:" }).collect();
        let rows: String = measured.iter().map(Row::text).collect();
        let text = format!("{before}{begin}\n{heads}\n{rule}|\n{rows}\n{end}{after}");
        std::fs::write(&path, text).expect("the page is written");
        return;
    }
    let published: Vec<Row> = published.lines().filter(|line| line.starts_with('|')).skip(2).map(Row::read).collect();
    assert_eq!(published.len(), measured.len(), "rows of the table of {table}; refresh it");
    for (published, measured) in published.iter().zip(measured) {
        if published.compiler != measured.compiler {
            // This bypasses the capture of a passing test's output.
            let shown = format!(
                "not held, by another compiler:\n  published {}  measured  {}",
                published.text(),
                measured.text()
            );
            std::io::stderr().write_all(shown.as_bytes()).expect("standard error");
            assert_eq!(published.of, measured.of, "the table of {table} has other rows; refresh it");
            continue;
        }
        let near = |(published, measured): (&Option<u32>, &Option<u32>)| match (published, measured) {
            (Some(published), Some(measured)) => published.abs_diff(*measured) * 100 <= TOLERANCE_PERCENT * measured,
            (None, None) => true,
            _ => false,
        };
        let is_near = published.figures.len() == measured.figures.len()
            && published.figures.iter().zip(&measured.figures).all(near);
        assert!(
            published.of == measured.of && is_near,
            "the table of {table} is not what is measured; refresh it and read the difference\n{}{}",
            published.text(),
            measured.text()
        );
    }
}
