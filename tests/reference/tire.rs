use time::Duration;
use witnessmark::domain::tire::made_on;

use crate::table::{date, rows, text};

#[test]
fn date_codes_name_the_published_weeks() {
    for row in rows(include_str!("tire.json"), "date_code_example") {
        match made_on(text(&row, "code")) {
            Ok(first) => {
                assert_eq!(first, date(&row, "first_day"), "{row}");
                assert_eq!(first + Duration::days(6), date(&row, "last_day"), "{row}");
            }
            // Three digits: the table asks for the decade, and so does the answer.
            Err(problem) => assert!(row["first_day"].is_null() && problem.contains("which decade"), "{row}: {problem}"),
        }
    }
}
