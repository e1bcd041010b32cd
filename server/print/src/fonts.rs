//! The fonts that go into every document; where they are from is told in fonts/README.md.
//!
//! Promises: always the same, in the same order; none of the system's is looked at.

use std::sync::LazyLock;
use typst::foundations::Bytes;
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;

macro_rules! files {
    ($($name:literal),+ $(,)?) => { &[$(($name, include_bytes!(concat!("../fonts/", $name, ".ttf")))),+] };
}

const FILES: &[(&str, &[u8])] = files![
    "NotoSans-Regular",
    "NotoSans-Bold",
    "NotoSansArabic-Regular",
    "NotoSansArabic-Bold",
    "NotoSansHebrew-Regular",
    "NotoSansHebrew-Bold",
    "NotoSansArmenian-Regular",
    "NotoSansGeorgian-Regular",
    "NotoSansThai-Regular",
    "NotoSansDevanagari-Regular",
    "DejaVuSans",
];

/// The fonts and what is known of each.
pub(crate) struct Fonts {
    /// In the order of the book.
    pub all: Vec<Font>,
    /// What the typesetter chooses from.
    pub book: LazyHash<FontBook>,
}

/// Read once: it takes some milliseconds.
pub(crate) static FONTS: LazyLock<Fonts> = LazyLock::new(|| {
    let all: Vec<Font> = FILES.iter().flat_map(|(_, data)| Font::iter(Bytes::new(*data))).collect();
    let book = LazyHash::new(FontBook::from_fonts(&all));
    Fonts { all, book }
});

/// Whether some font has a glyph for it.
pub(crate) fn has(character: char) -> bool {
    FONTS.all.iter().any(|font| font.info().coverage.contains(u32::from(character)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_is_a_font() {
        assert_eq!(FONTS.all.len(), FILES.len());
    }

    /// Letters of the scripts that fonts/README.md promises, and what people type on phones.
    #[test]
    fn the_scripts_that_are_promised_are_there() {
        for text in [
            "Größe, Łódź, Đặng",
            "Ελλάδα",
            "Щука, Ђорђе, Қазақ",
            "שָׁלוֹם",
            "محمد گلابی",
            "Հայաստան",
            "საქართველო",
            "ภาษาไทย",
            "हिन्दी",
        ] {
            let lacking: Vec<char> = text.chars().filter(|c| !has(*c)).collect();
            assert!(lacking.is_empty(), "{text}: {lacking:?}");
        }
        let lacking: Vec<char> = "→←≤≥≈✓✗⚠⌀□★⅜µ°€₹₽№″′…–—×÷±√".chars().filter(|c| !has(*c)).collect();
        assert!(lacking.is_empty(), "{lacking:?}");
        assert!(!has('漢') && !has('🚜'));
    }
}
