//! Tables, all made alike: headings of columns, and each row headed by its first cell.

use maud::{Markup, Render, html};

/// Heading of a column, and whether numbers stand in it.
pub(super) type Head = (&'static str, bool);

/// A table that scrolls when the window is narrower than it.
pub(super) fn table(caption: Option<Markup>, heads: &[Head], rows: &[Vec<Markup>]) -> Markup {
    let class = |number: bool| number.then_some("number");
    let heads_of = |row: &[Markup]| heads.iter().zip(row.to_vec()).skip(1).collect::<Vec<_>>();
    html! {
        div class="scroll" {
            table {
                @if let Some(caption) = caption { caption { (caption) } }
                thead {
                    tr { @for (name, number) in heads { th scope="col" class=[class(*number)] { (name) } } }
                }
                tbody {
                    @for row in rows {
                        tr {
                            @if let (Some((_, number)), Some(first)) = (heads.first(), row.first()) {
                                th scope="row" class=[class(*number)] { (first) }
                            }
                            @for ((_, number), cell) in heads_of(row) { td class=[class(*number)] { (cell) } }
                        }
                    }
                }
            }
        }
    }
}

/// A cell that holds a text or a number, escaped.
pub(super) fn cell(content: impl Render) -> Markup {
    html! { (content) }
}
