//! Tests of pages: whatever the order and the damage, the whole comes back as it was or not at all.

use proptest::prelude::*;

use super::*;

fn gathered(pages: &[String]) -> Result<Vec<u8>, PageError> {
    let mut gatherer = Gatherer::new();
    for page in pages {
        gatherer.take(page)?;
    }
    gatherer.whole()
}

#[test]
fn a_page_is_as_the_module_says() {
    let [one, two] = &Pages::split(b"Hello!!base-45", 7).unwrap()[..] else { panic!("two pages") };
    let digest = blake3::hash(b"Hello!!base-45").to_hex().to_uppercase();
    let body = format!("EMB1 1/2 {}:%69 VD92EX0:", &digest[..16]);
    let check = blake3::hash(body.as_bytes()).to_hex().to_uppercase();
    assert_eq!(one, &format!("{body}{}", &check[..8]));
    assert!(two.contains(":UJCLQE7W581:"), "{two}");
}

#[test]
fn missing_foreign_and_damaged_pages_are_named() {
    let pages = Pages::split(&[7; 100], 10).unwrap();
    let other = Pages::split(&[8; 100], 10).unwrap();
    let sized = Pages::split(&[7; 100], 12).unwrap();
    let mut gatherer = Gatherer::new();
    assert_eq!(gatherer.whole(), Err(PageError::Incomplete { missing: vec![], count: 0 }));
    for n in [9, 0, 3, 3, 4] {
        gatherer.take(&pages[n]).unwrap();
    }
    assert_eq!(gatherer.take(&pages[9]), Ok(Taken { number: 10, again: true }));
    assert_eq!(gatherer.take(&other[1]), Err(PageError::Foreign { number: 2, count: 10 }));
    assert_eq!(gatherer.take(&sized[1]), Err(PageError::Foreign { number: 2, count: 9 }));
    assert_eq!(gatherer.take(&pages[1][..40]), Err(PageError::Damaged { number: Some(2) }));
    assert_eq!(gatherer.take("date,kind,text"), Err(PageError::NoPage));
    let missing = vec![2, 3, 6, 7, 8, 9];
    assert_eq!(gatherer.missing(), missing);
    assert_eq!(gatherer.whole(), Err(PageError::Incomplete { missing, count: 10 }));
    for page in &pages {
        gatherer.take(page).unwrap();
    }
    assert_eq!(gatherer.whole(), Ok(vec![7; 100]));
}

#[test]
fn made_up_pages_under_good_checksums_do_no_harm() {
    let whole: Vec<u8> = (0..40).collect();
    let pages = Pages::split(&whole, 10).unwrap();
    let digest = digest(&whole);
    let mut gatherer = Gatherer::new();
    gatherer.take(&pages[0]).unwrap();
    assert_eq!(gatherer.take(&page(1, 4, &digest, &[1; 10])), Err(PageError::Contradiction { number: 1 }));
    // The same bytes cut elsewhere, and other bytes.
    for (second, third) in [(&whole[10..21], &whole[21..30]), (&whole[10..20], &[0; 10][..])] {
        let mut gatherer = gatherer.clone();
        gatherer.take(&page(2, 4, &digest, second)).unwrap();
        gatherer.take(&page(3, 4, &digest, third)).unwrap();
        gatherer.take(&pages[3]).unwrap();
        assert_eq!(gatherer.whole(), Err(PageError::WrongWhole));
    }
    for text in ["EMB1 +1/4", "EMB1 01/4", "EMB1 5/4", "EMB1 0/4", "EMB1 1/1000", "EMB1 99999999999/4", "EMB1 "] {
        let body = format!("{text} {digest}:BB8:");
        let check = hex(&blake3::hash(body.as_bytes()).as_bytes()[..4]);
        assert!(matches!(Gatherer::new().take(&format!("{body}{check}")), Err(PageError::Damaged { .. })), "{text}");
    }
}

#[test]
fn pages_have_no_more_characters_than_were_asked_for_and_what_cannot_be_split_is_refused() {
    for characters in [FRAME + 3, 100, 619, 1451] {
        let page_bytes = Pages::bytes_in(characters);
        let pages = Pages::split(&vec![0xff; page_bytes * 999], page_bytes).unwrap();
        let longest = pages.iter().map(String::len).max().unwrap();
        assert!(longest <= characters && longest + 3 > characters, "{longest} of {characters}");
        let (bytes, too_large) = (page_bytes * 999 + 1, vec![0; page_bytes * 999 + 1]);
        assert_eq!(Pages::split(&too_large, page_bytes), Err(PageError::TooLarge { bytes, page_bytes }));
    }
    assert_eq!(Pages::bytes_in(10), 0);
    assert_eq!(Pages::split(&[1], 0), Err(PageError::TooLarge { bytes: 1, page_bytes: 0 }));
    assert_eq!(gathered(&Pages::split(&[], 5).unwrap()), Ok(vec![]));
}

proptest! {
    #[test]
    fn the_whole_comes_back_from_any_order_with_repeats_and_a_scanners_trimmings(
        bytes in prop::collection::vec(any::<u8>(), 0..600),
        page_bytes in 1_usize..80,
        order in any::<prop::sample::Index>(),
        shuffle in Just((0..600_usize).collect::<Vec<_>>()).prop_shuffle(),
        around in prop::sample::select(vec![("", ""), ("\u{feff}", "\r"), ("  ", "  "), ("2031-04-12;QR_CODE;", ";1"),
            ("\"", "\",\"QR\""), ("QR-Code:", "\t12:30")]),
    ) {
        let pages = Pages::split(&bytes, page_bytes).unwrap();
        let mut scanned: Vec<&String> = shuffle.iter().filter_map(|n| pages.get(*n)).collect();
        scanned.push(&pages[order.index(pages.len())]);
        let mut gatherer = Gatherer::new();
        for page in scanned {
            gatherer.take(&format!("{}{page}{}", around.0, around.1)).unwrap();
        }
        prop_assert_eq!(gatherer.whole(), Ok(bytes));
    }

    /// A changed, lost, doubled or added character: the page is refused, or nothing changed by it.
    #[test]
    fn every_changed_character_is_refused_or_harmless(
        bytes in prop::collection::vec(any::<u8>(), 1..60),
        at in any::<prop::sample::Index>(),
        with in prop_oneof![
            prop::sample::select(base45::ALPHABET.to_vec()).prop_map(char::from), any::<char>(),
        ],
        how in 0..3,
    ) {
        let pages = Pages::split(&bytes, 20).unwrap();
        let mut letters: Vec<char> = pages[0].chars().collect();
        let at = at.index(letters.len());
        match how {
            0 => letters[at] = with,
            1 => letters.insert(at, with),
            _ => drop(letters.remove(at)),
        }
        let mut gatherer = Gatherer::new();
        if gatherer.take(&letters.iter().collect::<String>()).is_ok() {
            for page in &pages {
                gatherer.take(page).unwrap();
            }
            prop_assert_eq!(gatherer.whole(), Ok(bytes));
        }
    }

    #[test]
    fn no_text_makes_it_panic(text in "(EMB1 )?[0-9]{0,6}/?[0-9]{0,6} ?[0-9A-F]{0,16}:?\\PC{0,40}:?[0-9A-F]{0,8}") {
        let _ = Gatherer::new().take(&text);
    }
}
