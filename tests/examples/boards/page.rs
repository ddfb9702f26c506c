//! The page: one table of all figures, then the detail of each board.

use std::fmt::Write;

use super::figure::Board;

const HEAD: &str = "# Published boards

`cargo run --release -p notchwatch-tests --example boards -- PAGE.md` makes this page from the public sets under
`NOTCHWATCH_DATA`, of which a part is at hand. *Ours* is the chain at its one setting. *Cross-validated*: the files are
in groups, and each group is judged at the alarm line (for segmentation the price of a change) that was best on the other
groups, for the Numenta benchmark on those and on generated series with events; the method itself was chosen while looking at these files.

| on | ours | cross-validated | wanted | | published | |
| --- | --- | --- | --- | --- | --- | --- |
";

pub(crate) fn page(boards: &[Board]) -> String {
    let mut page = String::from(HEAD);
    for figure in boards.iter().flat_map(|b| &b.figures) {
        let crossed = figure.crossed.map_or_else(String::new, |c| format!("{c:.3}"));
        let _infallible = writeln!(
            page,
            "| {} | {:.3} | {crossed} | {} {} | {} | {} | {} |",
            figure.name,
            figure.value,
            if figure.high { "≥" } else { "≤" },
            figure.want,
            if figure.met() { "met" } else { "not met" },
            figure.anchor,
            figure.detail
        );
    }
    for board in boards.iter().filter(|b| !b.notes.is_empty()) {
        let _infallible = write!(page, "\n## {}\n\n{}\n", board.title, board.notes.join("\n"));
    }
    page
}
