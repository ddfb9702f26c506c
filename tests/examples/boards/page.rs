//! The page: one table of all figures, then the detail of each board.

use std::fmt::Write;

use super::figure::Board;

pub(crate) fn page(boards: &[Board]) -> String {
    let mut page = String::from(
        "# Published boards\n\n| on | ours | wanted | | published | |\n| --- | --- | --- | --- | --- | --- |\n",
    );
    for figure in boards.iter().flat_map(|b| &b.figures) {
        let _infallible = writeln!(
            page,
            "| {} | {:.3} | {} {} | {} | {} | {} |",
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
