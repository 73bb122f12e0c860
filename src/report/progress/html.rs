//! The report as one web page that asks for nothing from outside. In: [`Facts`]. Out: HTML.
//! Source: HTML Living Standard; WCAG 2.2 for contrast (a test computes it), reflow and names.

use std::fmt::Write as _;

use super::{Block, Facts, Figure, Section, Table, long_date, sections, staff};
use crate::engrave::{svg_figure, svg_glyphs};

/// Colours of a ground: the ground itself, words, words of lesser weight and links, lines.
const LIGHT: [&str; 4] = ["#ffffff", "#1b1b1b", "#50565c", "#767c82"];
const DARK: [&str; 4] = ["#16181a", "#ececec", "#b4bac0", "#868c92"];

/// What the page may load: nothing, but the style it brings.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:";

/// The whole page.
pub fn html(facts: &Facts) -> String {
    let sections = sections(facts);
    let title = format!("{}: progress, {}", facts.whose, long_date(facts.day));
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <link rel=\"icon\" href=\"data:,\">\n\
         <title>{}</title>\n<style>\n{}</style>\n</head>\n<body>\n",
        escaped(&title),
        style()
    );
    put(
        &mut out,
        format_args!(
            "<header>\n<h1>{}</h1>\n<p>{} \u{b7} {}</p>\n</header>",
            escaped(facts.whose),
            escaped(&facts.course.name),
            long_date(facts.day)
        ),
    );
    out.push_str("<nav aria-label=\"Parts of this page\">\n<ul>\n");
    for section in &sections {
        put(
            &mut out,
            format_args!(
                "<li><a href=\"#{}\">{}</a></li>",
                section.id,
                escaped(&section.heading)
            ),
        );
    }
    out.push_str("</ul>\n</nav>\n<main>\n");
    let figures = || {
        sections
            .iter()
            .flat_map(|s| &s.blocks)
            .filter_map(figures_of)
    };
    if figures().next().is_some() {
        out.push_str(&svg_glyphs(figures().flatten().flat_map(|f| &f.things)));
    }
    for section in &sections {
        one_section(&mut out, section);
    }
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

fn figures_of(block: &Block) -> Option<&[Figure]> {
    match block {
        Block::Figures(figures) => Some(figures),
        _ => None,
    }
}

/// Writing to a string does not fail.
fn put(out: &mut String, text: std::fmt::Arguments<'_>) {
    let _written = writeln!(out, "{text}");
}

fn one_section(out: &mut String, section: &Section) {
    let id = section.id;
    put(
        out,
        format_args!(
            "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{}</h2>",
            escaped(&section.heading)
        ),
    );
    for block in &section.blocks {
        match block {
            Block::Words(words) => put(out, format_args!("<p>{}</p>", in_html(words))),
            Block::List(points) => {
                out.push_str("<ul>\n");
                for point in points {
                    put(out, format_args!("<li>{}</li>", in_html(point)));
                }
                out.push_str("</ul>\n");
            }
            Block::Table(table) => one_table(out, table),
            Block::Figures(figures) => all_figures(out, figures),
        }
    }
    out.push_str("</section>\n");
}

/// Narrow ones side by side; a wide one is moved sideways where the window is narrower than its letters allow.
fn all_figures(out: &mut String, figures: &[Figure]) {
    let wide = |figure: &&Figure| figure.size.0 > staff::WIDTH * 1.5;
    for figure in figures.iter().filter(wide) {
        put(
            out,
            format_args!(
                "<div class=\"wide\" role=\"group\" tabindex=\"0\" aria-label=\"Figure\">\n{}</div>",
                svg_figure(&figure.things, figure.size, &figure.says)
            ),
        );
    }
    let narrow: Vec<&Figure> = figures.iter().filter(|f| !wide(f)).collect();
    if narrow.is_empty() {
        return;
    }
    out.push_str("<div class=\"strips\">\n");
    for figure in narrow {
        out.push_str(&svg_figure(&figure.things, figure.size, &figure.says));
    }
    out.push_str("</div>\n");
}

fn one_table(out: &mut String, table: &Table) {
    let class = |column: usize| {
        if table.words.contains(&column) {
            " class=\"w\""
        } else {
            ""
        }
    };
    put(
        out,
        format_args!(
            "<div class=\"table\" role=\"group\" tabindex=\"0\" aria-label=\"{0}\">\n<table>\n<caption>{0}</caption>\n<thead>\n<tr>",
            escaped(&table.caption)
        ),
    );
    for (column, head) in table.head.iter().enumerate() {
        // An empty heading would name nothing.
        let cell = if head.is_empty() {
            format!("<td{}></td>", class(column))
        } else {
            format!("<th scope=\"col\"{}>{}</th>", class(column), escaped(head))
        };
        out.push_str(&cell);
    }
    out.push_str("</tr>\n</thead>\n<tbody>\n");
    for row in &table.rows {
        out.push_str("<tr>");
        for (column, cell) in row.iter().enumerate() {
            let cell = escaped(cell);
            let class = class(column);
            out.push_str(&if column == 0 {
                format!("<th scope=\"row\"{class}>{cell}</th>")
            } else {
                format!("<td{class}>{cell}</td>")
            });
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody>\n</table>\n</div>\n");
}

fn style() -> String {
    let ground = |[ground, words, less, line]: [&str; 4]| {
        format!("--ground:{ground};--words:{words};--less:{less};--line:{line}")
    };
    let (light, dark) = (ground(LIGHT), ground(DARK));
    format!(
        ":root{{{light}}}\n\
         @media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n\
         *{{box-sizing:border-box}}\n\
         body{{margin:0 auto;padding:1rem;max-width:62rem;background:var(--ground);color:var(--words);\
         font:1rem/1.5 system-ui,'Segoe UI',Roboto,Ubuntu,Cantarell,'Noto Sans',sans-serif}}\n\
         h1{{font-size:1.8rem;line-height:1.2;margin:.5rem 0 0}}\n\
         h2{{font-size:1.3rem;line-height:1.3;margin:2.2rem 0 .5rem}}\n\
         header p,caption{{color:var(--less)}}\n\
         header p{{margin:.2rem 0 1rem}}\n\
         p,li{{max-width:44rem}}\n\
         li{{margin:.3rem 0}}\n\
         a{{color:inherit}}\n\
         a:focus-visible,[tabindex]:focus-visible{{outline:3px solid var(--words);outline-offset:2px}}\n\
         nav ul{{display:flex;flex-wrap:wrap;gap:0 1.2rem;list-style:none;padding:0;margin:0}}\n\
         nav li{{margin:0}}nav a{{display:inline-block;padding:.15rem 0}}\n\
         code{{font-size:.95em}}\n\
         svg{{display:block;width:100%;height:auto;font-family:inherit;fill:currentColor}}\n\
         svg[width=\"0\"]{{position:absolute;width:0;height:0}}\n\
         .strips{{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,26rem),1fr));gap:1rem 2rem}}\n\
         .wide,.table{{overflow-x:auto;margin:1rem 0}}\n\
         .wide svg{{min-width:44rem}}\n\
         table{{border-collapse:collapse;font-size:.95rem;font-variant-numeric:tabular-nums}}\n\
         caption{{text-align:left;padding:.2rem 0;font-weight:600}}\n\
         th,td{{padding:.2rem .7rem;text-align:right;border-bottom:1px solid var(--line);white-space:nowrap}}\n\
         th{{font-weight:600}}\n\
         tbody th{{font-weight:400}}\n\
         .w,th:first-child{{text-align:left}}\n\
         th:first-child,td:first-child{{padding-left:0}}\n\
         @media screen and (max-width:30rem){{th,td{{padding:.2rem .35rem;font-size:.85rem}}}}\n\
         @page{{margin:14mm}}\n\
         @media print{{body{{padding:0;max-width:none;font-size:10.5pt}}nav{{display:none}}\
         h2{{break-after:avoid}}svg,tr{{break-inside:avoid}}thead{{display:table-header-group}}\
         .wide,.table{{overflow:visible}}.wide svg{{min-width:0}}.strips{{grid-template-columns:1fr 1fr}}}}\n"
    )
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Escaped, with what stands between backquotes set as commands.
fn in_html(text: &str) -> String {
    text.split('`')
        .enumerate()
        .map(|(n, piece)| {
            let piece = escaped(piece);
            if n % 2 == 1 {
                format!("<code>{piece}</code>")
            } else {
                piece
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engrave::Colour;

    /// Relative luminance and contrast by WCAG 2.2.
    fn luminance([r, g, b]: [u8; 3]) -> f64 {
        let part = |c: u8| {
            let c = f64::from(c) / 255.0;
            if c <= 0.04045 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b)
    }

    fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        (a / b).max(b / a)
    }

    fn rgb(hex: &str) -> [u8; 3] {
        let number = u32::from_str_radix(&hex[1..], 16).unwrap();
        [(number >> 16) as u8, (number >> 8) as u8, number as u8]
    }

    #[test]
    fn words_contrast_by_4_5_and_marks_by_3_on_either_ground() {
        // WCAG 2.2, 1.4.3 and 1.4.11. Its own examples: #777 on white fails with 4.48, #767676 passes with 4.54.
        assert!((contrast(rgb("#777777"), rgb("#ffffff")) - 4.48).abs() < 0.01);
        assert!((contrast(rgb("#767676"), rgb("#ffffff")) - 4.54).abs() < 0.01);
        for [ground, words, less, line] in [LIGHT, DARK] {
            let on = |colour: &str| contrast(rgb(colour), rgb(ground));
            assert!(on(words) >= 7.0 && on(less) >= 4.5 && on(line) >= 3.0);
            for pace in staff::Pace::ALL {
                let Colour(r, g, b) = pace.colour();
                let is = contrast([r, g, b], rgb(ground));
                assert!(is >= 3.0, "{pace:?} on {ground}: {is:.2}");
            }
        }
    }

    #[test]
    fn commands_are_set_apart_and_signs_escaped() {
        assert_eq!(
            in_html("a < b: `sheet & \"names\"`."),
            "a &lt; b: <code>sheet &amp; &quot;names&quot;</code>."
        );
    }
}
