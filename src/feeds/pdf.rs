//! A plain PDF of text on A4: headings, paragraphs, items, a foot on each page. It uses the two Helvetica fonts that every reader has, so nothing is
//! embedded; they have the Latin letters of Windows code page 1252. Any other letter stands as its code point, `[U+1F3CD]`, and is never lost.
use pdf_writer::{Content, Finish as _, Name, Pdf, Rect, Ref, Str, TextStr};

/// A4, in points of 1/72 inch.
const PAGE: (f32, f32) = (595.0, 842.0);
const MARGIN: f32 = 56.0;
/// Where the foot begins.
const FOOT: f32 = 40.0;

/// How a paragraph looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    /// The document's title.
    Title,
    /// A part's heading.
    Heading,
    /// An entry's heading.
    Entry,
    /// Text.
    Text,
    /// Text that stands out.
    Bold,
    /// Text beside the point, smaller.
    Soft,
    /// An item of a list.
    Item,
}
impl Style {
    /// Size, whether bold, space above, indent, and the least room that must follow on the page (a heading is never the last line).
    const fn measures(self) -> (f32, bool, f32, f32, f32) {
        match self {
            Self::Title => (20.0, true, 0.0, 0.0, 60.0),
            Self::Heading => (13.0, true, 16.0, 0.0, 60.0),
            Self::Entry => (10.5, true, 9.0, 0.0, 40.0),
            Self::Text => (10.0, false, 3.0, 0.0, 0.0),
            Self::Bold => (10.0, true, 2.0, 0.0, 0.0),
            Self::Soft => (9.0, false, 2.0, 0.0, 0.0),
            Self::Item => (10.0, false, 2.0, 12.0, 0.0),
        }
    }
}

/// One line in its place.
#[derive(Debug)]
struct Line {
    x: f32,
    y: f32,
    size: f32,
    bold: bool,
    text: Vec<u8>,
}

/// A document as it grows.
#[derive(Debug)]
pub struct Document {
    title: String,
    foot: String,
    pages: Vec<Vec<Line>>,
    y: f32,
}

impl Document {
    /// An empty document; the foot stands on every page.
    #[must_use]
    pub fn new(title: String, foot: String) -> Self {
        Self { title, foot, pages: vec![Vec::new()], y: PAGE.1 - MARGIN }
    }

    /// Adds a paragraph.
    pub fn add(&mut self, style: Style, text: &str) {
        let (size, bold, above, indent, needs) = style.measures();
        let height = size * 1.35;
        if self.y - above - height - needs < MARGIN + FOOT {
            self.turn();
        } else {
            self.y -= above;
        }
        let text = encode(text);
        for (place, line) in wrap(&text, PAGE.0 - 2.0 * MARGIN - indent, size, bold).into_iter().enumerate() {
            if self.y - height < MARGIN + FOOT {
                self.turn();
            }
            self.y -= height;
            if style == Style::Item && place == 0 {
                // The bullet of code page 1252.
                self.put(Line { x: MARGIN, y: self.y, size, bold, text: vec![0x95] });
            }
            self.put(Line { x: MARGIN + indent, y: self.y, size, bold, text: line.to_vec() });
        }
    }

    fn turn(&mut self) {
        self.pages.push(Vec::new());
        self.y = PAGE.1 - MARGIN;
    }
    fn put(&mut self, line: Line) {
        if let Some(page) = self.pages.last_mut() {
            page.push(line);
        }
    }

    /// The document's bytes.
    #[must_use]
    pub fn finish(mut self) -> Vec<u8> {
        let count = self.pages.len();
        for (place, page) in self.pages.iter_mut().enumerate() {
            let text = encode(&format!("Page {} of {count}. {}", place + 1, self.foot));
            page.push(Line { x: MARGIN, y: FOOT, size: 7.5, bold: false, text });
        }
        let mut next = 0;
        let mut new = || {
            next += 1;
            Ref::new(next)
        };
        let (catalog, tree, plain, bold, info) = (new(), new(), new(), new(), new());
        let places: Vec<_> = self.pages.iter().map(|_| (new(), new())).collect();
        let mut pdf = Pdf::new();
        pdf.catalog(catalog).pages(tree).lang(TextStr("en"));
        pdf.document_info(info).title(TextStr(&self.title)).creator(TextStr("Witnessmark"));
        pdf.pages(tree).kids(places.iter().map(|(page, _)| *page)).count(i32::try_from(count).unwrap_or(i32::MAX));
        for (font, name) in [(plain, Name(b"Helvetica")), (bold, Name(b"Helvetica-Bold"))] {
            pdf.type1_font(font).base_font(name).encoding_predefined(Name(b"WinAnsiEncoding"));
        }
        for ((page, content), lines) in places.into_iter().zip(&self.pages) {
            let mut written = pdf.page(page);
            written.media_box(Rect::new(0.0, 0.0, PAGE.0, PAGE.1)).parent(tree).contents(content);
            written.resources().fonts().pair(Name(b"F1"), plain).pair(Name(b"F2"), bold);
            written.finish();
            pdf.stream(content, &drawn(lines));
        }
        pdf.finish()
    }
}

fn drawn(lines: &[Line]) -> Vec<u8> {
    let mut content = Content::new();
    for line in lines {
        content.begin_text().set_font(Name(if line.bold { b"F2" } else { b"F1" }), line.size);
        content.next_line(line.x, line.y).show(Str(&line.text)).end_text();
    }
    content.finish().into_vec()
}

/// The letters of code page 1252 between 0x80 and 0x9f; the rest are those of Latin-1.
const MIDDLE: [(char, u8); 27] = [
    ('€', 0x80),
    ('‚', 0x82),
    ('ƒ', 0x83),
    ('„', 0x84),
    ('…', 0x85),
    ('†', 0x86),
    ('‡', 0x87),
    ('ˆ', 0x88),
    ('‰', 0x89),
    ('Š', 0x8a),
    ('‹', 0x8b),
    ('Œ', 0x8c),
    ('Ž', 0x8e),
    ('‘', 0x91),
    ('’', 0x92),
    ('“', 0x93),
    ('”', 0x94),
    ('•', 0x95),
    ('–', 0x96),
    ('—', 0x97),
    ('˜', 0x98),
    ('™', 0x99),
    ('š', 0x9a),
    ('›', 0x9b),
    ('œ', 0x9c),
    ('ž', 0x9e),
    ('Ÿ', 0x9f),
];

/// Text in code page 1252.
fn encode(text: &str) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\n' => bytes.push(b'\n'),
            '\t' => bytes.push(b' '),
            // A sum's minus sign.
            '\u{2212}' => bytes.push(0x96),
            ' '..='~' | '\u{a0}'..='\u{ff}' => bytes.push(u8::try_from(u32::from(letter)).unwrap_or(b'?')),
            _ => {
                if let Some((_, byte)) = MIDDLE.iter().find(|(known, _)| *known == letter) {
                    bytes.push(*byte);
                } else {
                    bytes.extend(format!("[U+{:04X}]", u32::from(letter)).bytes());
                }
            }
        }
    }
    bytes
}

/// The widths of Helvetica's letters from the blank on, in thousandths of the size (the font's published metrics); in the upper half those of Latin-1.
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278,
    278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722,
    667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556,
    556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

fn width(byte: u8, size: f32, bold: bool) -> f32 {
    let place = usize::from(byte).checked_sub(32);
    // Beyond ASCII no letter that is common in text is wider than this; a line may break a little early.
    let thousandths = place.and_then(|place| WIDTHS.get(place).copied()).unwrap_or(800);
    // Helvetica-Bold is wider by less than an eighth.
    f32::from(thousandths) / 1000.0 * size * if bold { 1.12 } else { 1.0 }
}

/// Breaks text into lines at blanks, and words too long for a line anywhere.
fn wrap(text: &[u8], room: f32, size: f32, bold: bool) -> Vec<&[u8]> {
    let mut lines = Vec::new();
    for paragraph in text.split(|byte| *byte == b'\n') {
        let (mut start, mut blank, mut used) = (0, None, 0.0);
        let mut place = 0;
        while place < paragraph.len() {
            let wide = width(paragraph[place], size, bold);
            if used + wide > room && place > start {
                let end = blank.unwrap_or(place);
                lines.push(&paragraph[start..end]);
                start = if blank.is_some() { end + 1 } else { end };
                place = start;
                (blank, used) = (None, 0.0);
                continue;
            }
            if paragraph[place] == b' ' && place > start {
                blank = Some(place);
            }
            used += wide;
            place += 1;
        }
        lines.push(&paragraph[start..]);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_letter_is_lost() {
        assert_eq!(encode("Kette ä – 5 €"), b"Kette \xe4 \x96 5 \x80");
        assert_eq!(encode("🏍 שלום"), b"[U+1F3CD] [U+05E9][U+05DC][U+05D5][U+05DD]");
        assert_eq!(encode("a\u{7}b"), b"a[U+0007]b");
    }

    #[test]
    fn lines_fit_and_nothing_is_left_out() {
        let text = encode(&format!("{} and {}\nlast", "word ".repeat(60).trim(), "x".repeat(300)));
        let lines = wrap(&text, 200.0, 10.0, false);
        assert!(lines.iter().all(|line| line.iter().map(|byte| width(*byte, 10.0, false)).sum::<f32>() <= 200.0));
        let letters = |bytes: &[u8]| bytes.iter().filter(|byte| !byte.is_ascii_whitespace()).count();
        assert_eq!(lines.iter().map(|line| letters(line)).sum::<usize>(), letters(&text));
        assert_eq!(lines.last(), Some(&&b"last"[..]));
        assert_eq!(wrap(b"", 200.0, 10.0, false), [b""]);
    }

    #[test]
    fn a_long_text_runs_over_pages() {
        let mut document = Document::new("T".into(), "foot".into());
        for number in 0..200 {
            document.add(Style::Text, &format!("Line {number}"));
        }
        assert!(document.pages.len() > 3);
        assert!(document.pages.iter().flatten().all(|line| line.y >= MARGIN + FOOT && line.y < PAGE.1 - MARGIN));
        let bytes = document.finish();
        assert!(bytes.starts_with(b"%PDF-") && bytes.windows(5).any(|part| part == b"%%EOF"));
    }
}
