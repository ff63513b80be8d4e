//! Command lines as tests write them.

/// Splits a command line at spaces; what stands in single or double quotes stays together.
pub fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (place, part) in line.split(['\'', '"']).enumerate() {
        if place % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::words;

    #[test]
    fn a_quoted_text_is_one_word() {
        assert_eq!(words("rule shot 1:2 --reason 'as the clip shows' --by Pim").len(), 7);
        assert_eq!(words("lot describe A ''"), ["lot", "describe", "A", ""]);
        assert_eq!(words("go \"a b\" -x"), ["go", "a b", "-x"]);
        assert_eq!(words("  live "), ["live"]);
    }
}
