//! Pieces of a page as HTML that is well-formed XML too: every tag is closed, and all text goes through [`escaped`].

use std::fmt::Write as _;

use crate::record::text::is_printable;

/// A text between tags or in an attribute: what a reader of markup or a terminal would obey is replaced.
pub(crate) fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            _ if is_printable(letter) => safe.push(letter),
            _ => safe.push('\u{fffd}'),
        }
    }
    safe
}

/// A part of a page.
#[derive(Debug, Default)]
pub(crate) struct Markup {
    text: String,
}

impl Markup {
    /// What was written.
    pub(crate) fn into_text(self) -> String {
        self.text
    }

    /// Markup as it is: no text from outside.
    pub(crate) fn raw(&mut self, markup: &str) {
        self.text.push_str(markup);
    }

    /// An element that holds a text alone; `tag` may bring attributes.
    pub(crate) fn element(&mut self, tag: &str, text: &str) {
        self.inside(tag, &mut |inner| inner.raw(&escaped(text)));
    }

    /// An element with what is written within.
    pub(crate) fn inside(&mut self, tag: &str, write: &mut dyn FnMut(&mut Self)) {
        let name = tag.split(' ').next().unwrap_or(tag);
        let _ = write!(self.text, "<{tag}>");
        write(self);
        let _ = writeln!(self.text, "</{name}>");
    }

    /// A paragraph.
    pub(crate) fn paragraph(&mut self, text: &str) {
        self.element("p", text);
    }

    /// A list of texts; nothing where there are none.
    pub(crate) fn list(&mut self, items: &[String]) {
        if items.is_empty() {
            return;
        }
        self.inside("ul", &mut |list| {
            for item in items {
                list.element("li", item);
            }
        });
    }

    /// A table: what it holds, the head of each column, and rows whose first cell names them.
    pub(crate) fn table(&mut self, caption: &str, heads: &[&str], rows: &[Vec<String>]) {
        let region =
            format!("div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{}\"", escaped(caption));
        self.inside(&region, &mut |region| {
            region.inside("table", &mut |table| {
                table.element("caption", caption);
                table.inside("thead", &mut |head| {
                    head.inside("tr", &mut |row| {
                        for head in heads {
                            row.element("th scope=\"col\"", head);
                        }
                    });
                });
                table.inside("tbody", &mut |body| {
                    for cells in rows {
                        body.row(cells);
                    }
                });
            });
        });
    }

    fn row(&mut self, cells: &[String]) {
        self.inside("tr", &mut |row| {
            for (place, cell) in cells.iter().enumerate() {
                row.element(if place == 0 { "th scope=\"row\"" } else { "td" }, cell);
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use crate::report::page::markup::*;

    #[test]
    fn text_stays_text() {
        let mut page = Markup::default();
        page.table("a \"b\" c", &["<i>"], &[vec!["</td><script>x('&')\u{202e}</script>".to_owned()]]);
        let text = page.into_text();
        assert!(text.contains("aria-label=\"a &quot;b&quot; c\""), "{text}");
        assert!(text.contains("<th scope=\"col\">&lt;i&gt;</th>"), "{text}");
        assert!(
            text.contains("&lt;/td&gt;&lt;script&gt;x(&#39;&amp;&#39;)\u{fffd}&lt;/script&gt;"),
            "{text}"
        );
    }
}
