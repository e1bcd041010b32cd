//! The page of a service history: one HTML file that holds the history file, shows it, and checks it without any network.
//!
//! Promises: the same input gives the same page. Nothing of the file stands in it as markup: it is base64, and the
//! script puts every text in as text. The page's own policy (CSP) allows that one script and style, and no address.
//!
//! Never judges: that is the page's script, written from docs/HISTORY-FORMAT.md, beside this file in `page/`. The script is
//! `page/bundle.js`, made from the other files there by `tests/outside/page/build.mjs`; the outside checks hold it to them.

use super::verdict::NOT_PROVED;
use crate::book::{Book, Counts, Doubt, Hands, Keeping};
use crate::clash::{Clash, Twin};
use crate::ids::Hash;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use serde_json::json;

/// Media type of a page.
pub const PAGE_MEDIA: &str = "text/html; charset=utf-8";

const FORM: &str = include_str!("page/page.html");
const STYLE: &str = include_str!("page/page.css");
const SCRIPT: &str = include_str!("page/bundle.js");

/// What a page shows as computed by its maker, beside what it counts itself: it takes the rules of the domain, and the
/// entries' positions, which a history file does not show.
#[derive(Debug, Clone, Copy, Serialize)]
struct Computed<'a> {
    keeping: &'a [Keeping],
    hands: Option<&'a Hands>,
    clashes: &'a [Clash],
    twins: &'a [Twin],
    doubts: &'a [Doubt],
    counts: &'a Counts,
}

/// The page of a history file as it is kept, compressed. `book` is that of the machine, folded from entries in which the
/// same is withheld; without it the page says that it does not compute what takes it.
#[must_use]
pub fn page(file: &[u8], book: Option<&Book>) -> String {
    let computed = |book: &Book| {
        let Book { keeping, hands, clashes, twins, doubts, counts, .. } = book;
        let book = Computed { keeping, hands: hands.as_ref(), clashes, twins, doubts, counts };
        json!({"of": Hash::of(&[file]), "book": book})
    };
    let summary = book.map(|book| STANDARD.encode(computed(book).to_string())).unwrap_or_default();
    filled(&STANDARD.encode(file), &summary)
}

/// A page that holds no file, and checks those that are given to it: for who trusts no page that came with its file.
#[must_use]
pub fn checker() -> String {
    filled("", "")
}

/// What a page may do: run its one script, use its one style, and nothing else; no address, no form, no frame.
#[must_use]
pub fn policy() -> String {
    let digest = |text: &str| STANDARD.encode(Hash::of(&[text.as_bytes()]).0);
    format!(
        "default-src 'none'; script-src 'sha256-{}'; style-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        digest(SCRIPT),
        digest(STYLE)
    )
}

fn filled(file: &str, summary: &str) -> String {
    let words = STANDARD.encode(json!({"not_proved": NOT_PROVED}).to_string());
    let policy = policy();
    let parts = [
        ("{policy}", policy.as_str()),
        ("{style}", STYLE),
        ("{file}", file),
        ("{summary}", summary),
        ("{words}", &words),
        ("{script}", SCRIPT),
    ];
    // In the order in which they stand in the form, so that nothing is looked for in what was put in.
    let (mut page, mut rest) = (String::with_capacity(FORM.len() + SCRIPT.len() + STYLE.len() + file.len()), FORM);
    for (place, text) in parts {
        if let Some((before, after)) = rest.split_once(place) {
            page.push_str(before);
            page.push_str(text);
            rest = after;
        }
    }
    page + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    fn between<'a>(text: &'a str, begin: &str, end: &str) -> &'a str {
        text.split_once(begin).and_then(|(_, rest)| rest.split_once(end)).expect(begin).0
    }

    #[test]
    fn every_place_of_the_form_is_filled_and_the_policy_names_what_stands_there() {
        let page = page(b"\x1f\x8b</script>{script}", None);
        for place in ["{policy}", "{style}", "{file}", "{summary}", "{words}"] {
            assert!(!page.contains(place), "{place}");
        }
        let script = page.rsplit_once("<script>").expect("a script").1.split("</script>").next().expect("its end");
        let style = between(&page, "<style>", "</style>");
        assert_eq!((script, style), (SCRIPT, STYLE));
        let digest = |text: &str| STANDARD.encode(Hash::of(&[text.as_bytes()]).0);
        let policy = between(&page, "Content-Security-Policy\" content=\"", "\"");
        assert!(policy.contains(&format!("script-src 'sha256-{}'", digest(script))), "{policy}");
        assert!(policy.contains(&format!("style-src 'sha256-{}'", digest(style))), "{policy}");
        assert!(policy.starts_with("default-src 'none';") && !policy.contains("unsafe"), "{policy}");
    }

    #[test]
    fn a_page_names_no_address_and_holds_its_file_as_it_is() {
        let page = page(b"any bytes", None);
        let held = between(&page, "id=\"file\">", "</script>");
        assert_eq!(STANDARD.decode(held).expect("base64"), b"any bytes");
        assert_eq!(page.matches("</script>").count(), 4, "nothing in the page ends a script early");
        for loads in ["src=", "@import", "http-equiv=\"refresh"] {
            assert!(!page.contains(loads), "{loads}");
        }
        assert!(!STYLE.contains("url("), "the style loads nothing");
        assert!(page.matches("href=").count() == page.matches("href=\"#").count(), "links lead into the page only");
    }
}
