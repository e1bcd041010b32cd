//! The code of a Rust file without its comments and texts, so that a rule about code is not fooled by prose.
//!
//! Promises: line numbers stay; every comment, text and character literal becomes spaces. Understands nested comments,
//! raw texts and lifetimes. Never a parser: it knows no more of Rust than it takes to find where a text ends.

/// The same file with comments, texts and character literals blanked out.
pub fn code_of(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < chars.len() {
        let length = blank_at(&chars, at);
        if length == 0 {
            out.push(chars[at]);
            at += 1;
        } else {
            out.extend(chars[at..at + length].iter().map(|c| if *c == '\n' { '\n' } else { ' ' }));
            at += length;
        }
    }
    out
}

/// How many characters from `at` on are a comment or a literal; 0 if none begins here.
fn blank_at(chars: &[char], at: usize) -> usize {
    let rest = &chars[at..];
    let inside_word = at > 0 && (chars[at - 1].is_alphanumeric() || chars[at - 1] == '_');
    match rest {
        ['/', '/', ..] => rest.iter().position(|c| *c == '\n').unwrap_or(rest.len()),
        ['/', '*', ..] => block_comment(rest),
        ['"', ..] => quoted(rest, '"'),
        ['b' | 'c', '"', ..] if !inside_word => 1 + quoted(&rest[1..], '"'),
        ['r', '#' | '"', ..] if !inside_word => raw(rest, 1),
        ['b' | 'c', 'r', '#' | '"', ..] if !inside_word => raw(rest, 2),
        ['\'', '\\', ..] => quoted(rest, '\''),
        ['\'', _, '\'', ..] => 3,
        _ => 0,
    }
}

fn block_comment(rest: &[char]) -> usize {
    let mut depth = 0;
    let mut at = 0;
    while at < rest.len() {
        match &rest[at..] {
            ['/', '*', ..] => (depth, at) = (depth + 1, at + 2),
            ['*', '/', ..] if depth == 1 => return at + 2,
            ['*', '/', ..] => (depth, at) = (depth - 1, at + 2),
            _ => at += 1,
        }
    }
    rest.len()
}

fn quoted(rest: &[char], end: char) -> usize {
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            '\\' => at += 2,
            c if c == end => return at + 1,
            _ => at += 1,
        }
    }
    rest.len()
}

/// A raw text, whose hashes start at `prefix`; 0 for a raw identifier such as `r#type`.
fn raw(rest: &[char], prefix: usize) -> usize {
    let hashes = rest[prefix..].iter().take_while(|c| **c == '#').count();
    if rest.get(prefix + hashes) != Some(&'"') {
        return 0;
    }
    let body = prefix + hashes + 1;
    let end: Vec<char> = std::iter::once('"').chain(std::iter::repeat_n('#', hashes)).collect();
    rest[body..].windows(end.len()).position(|w| w == end).map_or(rest.len(), |found| body + found + end.len())
}

/// The lines, counted from 1, on which `word` stands by itself: not as a part of a longer name.
pub fn lines_with(code: &str, word: &str) -> Vec<usize> {
    let part_of_name = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
    let starts_name = word.starts_with(|c: char| c.is_alphanumeric() || c == '_');
    let ends_name = word.ends_with(|c: char| c.is_alphanumeric() || c == '_');
    let found = |line: &str| {
        line.match_indices(word).any(|(at, _)| {
            let before = starts_name && part_of_name(line[..at].chars().next_back());
            let after = ends_name && part_of_name(line[at + word.len()..].chars().next());
            !before && !after
        })
    };
    code.lines().enumerate().filter(|(_, line)| found(line)).map(|(index, _)| index + 1).collect()
}

#[test]
fn comments_and_texts_are_blanked_and_code_is_kept() {
    let text = r####"a /* b /* c */ d */ e // f
let g = "h \" i"; let j = r#"k " l"#; let m = b"n"; let 'o: { 'p' ; '\'' } r#type br##"q"# "##; s<'t>(u)"####;
    let code = code_of(text);
    for kept in ["a", "e", "g", "j", "m", "o", "r", "type", "s", "t", "u"] {
        assert!(!lines_with(&code, kept).is_empty(), "{kept} was lost in {code}");
    }
    for blanked in ["b", "c", "d", "f", "h", "i", "k", "l", "n", "p", "q"] {
        assert!(lines_with(&code, blanked).is_empty(), "{blanked} was left in {code}");
    }
    assert_eq!(lines_with(&code, "u"), [2], "line numbers must stay");
    assert_eq!(lines_with("xy\nx_y x\nx", "x"), [2, 3]);
}
