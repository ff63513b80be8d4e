//! The cautions that stand wherever failed or unlit shots are spoken of.

macro_rules! cautions {
    ($($text:literal),+) => {
        /// The cautions wherever failed or unlit shots are spoken of, a sentence or two each.
        pub const CAUTIONS: &[&str] = &[$($text),+];
        /// The same in one piece.
        pub const CAUTION: &str = cautions!(@join $($text),+);
    };
    (@join $first:literal $(, $more:literal)*) => { concat!($first $(, " ", $more)*) };
}

cautions!(
    "Treat every shot that failed or whose fuse was not lit as live.",
    "Wait the time that the site's rules give before anybody approaches, approach as the person in charge directs, and \
     follow local codes, the maker's instructions and licensed practice.",
    "No number here is a permission."
);
