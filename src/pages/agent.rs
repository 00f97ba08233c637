//! What a browser says it is, in words: enough to know one's own phone again.

/// Words in a browser's `User-Agent` that say what it is, the more telling ones first: many browsers name others too.
const BROWSERS: &[(&str, &str)] = &[
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser/", "Samsung Internet"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("CriOS/", "Chrome"),
    ("Chromium/", "Chromium"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
];
/// Words that say what it runs on.
const SYSTEMS: &[(&str, &str)] = &[
    ("iPhone", "an iPhone"),
    ("iPad", "an iPad"),
    ("Android", "Android"),
    ("Windows", "Windows"),
    ("Macintosh", "a Mac"),
    ("CrOS", "ChromeOS"),
    ("Linux", "Linux"),
];

/// A browser in words: `Firefox on Linux`.
#[must_use]
pub fn in_words(user_agent: &str) -> String {
    let said = |known: &[(&str, &'static str)]| known.iter().find(|(word, _)| user_agent.contains(word)).map(|(_, name)| *name);
    match (said(BROWSERS), said(SYSTEMS)) {
        (Some(browser), Some(system)) => format!("{browser} on {system}"),
        (Some(one), None) | (None, Some(one)) => one.into(),
        (None, None) if user_agent.is_empty() => "a browser that does not say what it is".into(),
        (None, None) => user_agent.chars().take(40).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn browsers_are_told_by_what_they_send() {
        for (sent, words) in [
            ("Mozilla/5.0 (X11; Linux x86_64; rv:128.0) Gecko/20100101 Firefox/128.0", "Firefox on Linux"),
            (
                "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 Safari/537.36 Edg/126.0",
                "Edge on Windows",
            ),
            (
                "Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 Mobile Safari/537.36",
                "Chrome on Android",
            ),
            (
                "Mozilla/5.0 (iPhone; CPU iPhone OS 17_4 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.4 Mobile/15E148 Safari/604.1",
                "Safari on an iPhone",
            ),
            ("", "a browser that does not say what it is"),
            ("<script>alert(1)</script> and a great deal more than that", "<script>alert(1)</script> and a great de"),
        ] {
            assert_eq!(in_words(sent), words);
        }
    }
}
