//! XML that is well formed by how it is written.

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

/// A document under way.
pub(super) struct Xml(Writer<Vec<u8>>);

/// A text without what XML forbids, each run of white space a single space.
pub(super) fn clean(text: &str) -> String {
    let allowed = |c: &char| {
        (*c >= ' ' || c.is_ascii_whitespace()) && !matches!(c, '\u{fffe}' | '\u{ffff}' | '\u{7f}')
    };
    let text: String = text.chars().filter(allowed).collect();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

impl Xml {
    pub(super) fn new() -> Self {
        let mut xml = Self(Writer::new_with_indent(Vec::new(), b' ', 1));
        xml.put(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)));
        xml
    }

    fn put(&mut self, event: Event<'_>) {
        // Writing to memory can't fail.
        let _ = self.0.write_event(event);
    }

    /// An element with others inside.
    pub(super) fn within(
        &mut self,
        name: &str,
        attributes: &[(&str, &str)],
        inner: impl FnOnce(&mut Self),
    ) {
        let start = BytesStart::new(name).with_attributes(attributes.iter().copied());
        self.put(Event::Start(start));
        inner(self);
        self.put(Event::End(BytesEnd::new(name)));
    }

    /// An element with a text inside.
    pub(super) fn text(&mut self, name: &str, attributes: &[(&str, &str)], text: &str) {
        let text = clean(text);
        self.within(name, attributes, |xml| xml.put(Event::Text(BytesText::new(&text))));
    }

    pub(super) fn finish(self) -> Vec<u8> {
        let mut bytes = self.0.into_inner();
        bytes.push(b'\n');
        bytes
    }
}
