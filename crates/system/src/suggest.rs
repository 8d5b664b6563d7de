//! "Did you mean": the nearest of the known words, when it is near enough to be a slip.

/// The candidate nearest to `written`; None when nothing is near.
pub(crate) fn nearest<'a>(written: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Longer words than this are no slip of a name, and the distance costs length squared.
    const LONGEST: usize = 64;
    if written.len() > LONGEST {
        return None;
    }
    let lower = written.to_lowercase();
    let allowed = (written.chars().count().max(3)) / 3;
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        if candidate.len() > LONGEST {
            continue;
        }
        let distance = edit_distance(&lower, &candidate.to_lowercase());
        if distance <= allowed && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, candidate));
        }
    }
    best.map(|(_, word)| word)
}

/// The help line of an unknown word: the nearest one if there is one, else the whole list.
pub(crate) fn help<'a>(written: &str, candidates: impl IntoIterator<Item = &'a str>, what: &str) -> String {
    const SHOWN: usize = 24;
    let all: Vec<&str> = candidates.into_iter().collect();
    if let Some(near) = nearest(written, all.iter().copied()) {
        return format!("did you mean `{near}`?");
    }
    if all.is_empty() {
        return format!("the file has no {what} yet");
    }
    let mut list: Vec<String> = all.iter().take(SHOWN).map(|word| format!("`{word}`")).collect();
    if all.len() > SHOWN {
        list.push(format!("and {} more", all.len() - SHOWN));
    }
    format!("known {what}: {}", list.join(", "))
}

/// Optimal string alignment distance in characters: a swap of neighbours counts once.
fn edit_distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().collect();
    let b: Vec<char> = b.chars().collect();
    let width = b.len() + 1;
    let mut rows = vec![0usize; (a.len() + 1) * width];
    for (j, cell) in rows.iter_mut().take(width).enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        rows[i * width] = i;
        for j in 1..=b.len() {
            let substituted = rows[(i - 1) * width + j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut least = substituted.min(rows[(i - 1) * width + j] + 1).min(rows[i * width + j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                least = least.min(rows[(i - 2) * width + j - 2] + 1);
            }
            rows[i * width + j] = least;
        }
    }
    rows[a.len() * width + b.len()]
}

#[cfg(test)]
mod tests {
    use super::{edit_distance, help, nearest};

    #[test]
    fn a_swap_of_neighbours_is_one_slip() {
        assert_eq!(edit_distance("hieght", "height"), 1);
        assert_eq!(edit_distance("", "abc"), 3);
    }

    #[test]
    fn far_words_are_not_suggested() {
        assert_eq!(nearest("levl", ["level", "floor"]), Some("level"));
        assert_eq!(nearest("zebra", ["level", "floor"]), None);
        assert_eq!(help("x", [], "vessels"), "the file has no vessels yet");
    }
}
