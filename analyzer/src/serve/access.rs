//! Who may look: the names under which the page answers, and the token where it listens beyond this computer.
//!
//! Owes its reader: another web site open in the same browser can neither read the page by giving its own name this
//! computer's address (DNS rebinding: the Host header is checked) nor use somebody's session (cookie with SameSite=Strict). The
//! token is compared without telling by time how much of it was right, and never stands in an address.

use sha2::{Digest, Sha256};
use std::net::IpAddr;
use std::path::{Path, PathBuf};

/// Fewer characters are guessed (128 bits at about 6 bits a character are 22; common practice, no source).
const LEAST: usize = 20;
/// A token of more bytes is some other file.
const MOST: u64 = 1024;
/// The session's cookie.
const COOKIE: &str = "ampwake_session";
/// A session lasts this long, s.
const SESSION_S: u32 = 7 * 86_400;

/// Why a token file is refused.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// It cannot be read.
    #[error("{}: cannot read the token: {source}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the operating system says.
        source: std::io::Error,
    },
    /// It is too short, too long, or not one line of printable characters.
    #[error("{}: a token is one line of {LEAST} to {MOST} printable characters without spaces; make one with `openssl rand -hex 24 > {}`",
            path.display(), path.display())]
    NoToken {
        /// The file.
        path: PathBuf,
    },
    /// Others can read it.
    #[error("{}: other users of this computer can read the token; close it with `chmod 600 {}`", path.display(), path.display())]
    Open {
        /// The file.
        path: PathBuf,
    },
}

/// Reads the token from its file.
///
/// # Errors
/// See [`TokenError`].
pub fn read_token(path: &Path) -> Result<String, TokenError> {
    let unreadable = |source| TokenError::Unreadable { path: path.to_owned(), source };
    let meta = std::fs::metadata(path).map_err(unreadable)?;
    #[cfg(unix)]
    if std::os::unix::fs::PermissionsExt::mode(&meta.permissions()) & 0o077 != 0 {
        return Err(TokenError::Open { path: path.to_owned() });
    }
    if meta.len() > MOST {
        return Err(TokenError::NoToken { path: path.to_owned() });
    }
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    let token = text.trim();
    if token.len() < LEAST || !token.bytes().all(|b| b.is_ascii_graphic()) {
        return Err(TokenError::NoToken { path: path.to_owned() });
    }
    Ok(token.to_owned())
}

/// Who may look.
#[derive(Debug)]
pub struct Access {
    /// Names beside addresses and `localhost` under which the page answers.
    names: Vec<String>,
    /// Hash of the token, and the value of the session's cookie; `None`: this computer only, no token asked for.
    token: Option<([u8; 32], String)>,
}

impl Access {
    /// `secret` is random and new with every start of the program: a session does not outlive it.
    pub fn new(token: Option<&str>, names: Vec<String>, secret: [u8; 32]) -> Self {
        let session = |token: &str| {
            let hash = Sha256::new().chain_update(secret).chain_update(token).finalize();
            hash.iter().map(|b| format!("{b:02x}")).collect()
        };
        let names = names.into_iter().map(|n| n.to_ascii_lowercase()).collect();
        Self { names, token: token.map(|t| (Sha256::digest(t).into(), session(t))) }
    }

    /// The page answers under this Host header: an address, `localhost`, or a name that the user gave.
    pub fn knows_host(&self, host: &str) -> bool {
        let host = host.to_ascii_lowercase();
        let name = match host.strip_prefix('[') {
            // An address of version 6 stands in brackets.
            Some(rest) => {
                return rest
                    .split_once(']')
                    .is_some_and(|(address, port)| address.parse::<std::net::Ipv6Addr>().is_ok() && is_port(port));
            }
            None => match host.split_once(':') {
                Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
                Some(_) => return false,
                None => host.as_str(),
            },
        };
        name == "localhost" || name.parse::<IpAddr>().is_ok() || self.names.iter().any(|n| n == name)
    }

    /// Whoever sent these Cookie headers may look.
    pub fn admits<'a>(&self, mut cookies: impl Iterator<Item = &'a str>) -> bool {
        let Some((_, session)) = &self.token else { return true };
        cookies.any(|header| {
            header
                .split(';')
                .filter_map(|pair| pair.trim().split_once('='))
                .any(|(name, value)| name == COOKIE && same(value.as_bytes(), session.as_bytes()))
        })
    }

    /// The session's Set-Cookie header for whoever knows the token.
    pub fn enter(&self, token: &str) -> Option<String> {
        let (hash, session) = self.token.as_ref()?;
        let told: [u8; 32] = Sha256::digest(token).into();
        same(&told, hash).then(|| format!("{COOKIE}={session}; Path=/; Max-Age={SESSION_S}; HttpOnly; SameSite=Strict"))
    }
}

fn is_port(text: &str) -> bool {
    text.is_empty() || text.strip_prefix(':').is_some_and(|p| p.bytes().all(|b| b.is_ascii_digit()))
}

/// Equal, in a time that depends on the lengths alone.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && std::hint::black_box(a.iter().zip(b).fold(0, |d, (x, y)| d | (x ^ y))) == 0
}

/// The token of a form as a browser sends it (`application/x-www-form-urlencoded`).
pub fn token_of_form(body: &[u8]) -> Option<String> {
    let value = body.split(|b| *b == b'&').find_map(|pair| pair.strip_prefix(b"token="))?;
    let mut out = Vec::with_capacity(value.len());
    let mut rest = value;
    while let Some((first, tail)) = rest.split_first() {
        rest = tail;
        match first {
            b'+' => out.push(b' '),
            b'%' => {
                let hex = std::str::from_utf8(tail.get(..2)?).ok()?;
                out.push(u8::from_str_radix(hex, 16).ok()?);
                rest = &tail[2..];
            }
            other => out.push(*other),
        }
    }
    // Copied tokens bring spaces along.
    Some(String::from_utf8(out).ok()?.trim().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOKEN: &str = "0123456789abcdef0123456789abcdef";

    #[test]
    fn names_that_another_site_could_bear_are_refused() {
        let access = Access::new(None, vec!["Boat.local".to_owned()], [0; 32]);
        for known in [
            "localhost",
            "LOCALHOST:8733",
            "127.0.0.1:8733",
            "[::1]:8733",
            "[fe80::1]",
            "192.168.1.7",
            "boat.local:8733",
        ] {
            assert!(access.knows_host(known), "{known}");
        }
        for foreign in [
            "",
            "evil.example",
            "127.0.0.1.evil.example",
            "localhost.evil.example",
            "localhost:x",
            "[::1",
            "[evil]",
            "a:b:c",
        ] {
            assert!(!access.knows_host(foreign), "{foreign}");
        }
    }

    #[test]
    fn only_the_token_opens_and_only_its_cookie_stays() {
        let access = Access::new(Some(TOKEN), Vec::new(), [7; 32]);
        assert!(access.enter("0123").is_none() && access.enter("").is_none());
        let set = access.enter(TOKEN).unwrap();
        assert!(set.ends_with("; HttpOnly; SameSite=Strict") && !set.contains(TOKEN));
        let cookie = set.split(';').next().unwrap();
        assert!(access.admits(["a=b; x", &format!("c=d; {cookie}")].into_iter()));
        assert!(!access.admits(["ampwake_session=", "ampwake_session=00", TOKEN].into_iter()));
        // Another start, another session.
        assert!(!Access::new(Some(TOKEN), Vec::new(), [8; 32]).admits([cookie].into_iter()));
        assert!(Access::new(None, Vec::new(), [7; 32]).admits(std::iter::empty()));
    }

    #[test]
    fn a_form_is_unpacked_and_a_damaged_one_is_nothing() {
        assert_eq!(token_of_form(b"token=a%2Bb+c%20").as_deref(), Some("a+b c"));
        assert_eq!(token_of_form(b"x=1&token=").as_deref(), Some(""));
        for bad in [&b""[..], b"toke=1", b"token=%", b"token=%4", b"token=%zz", b"token=%ff"] {
            assert_eq!(token_of_form(bad), None, "{bad:?}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_token_file_is_closed_to_others_and_long_enough() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("token");
        let with = |text: &str, mode: u32| {
            std::fs::write(&path, text).unwrap();
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            read_token(&path).map_err(|e| e.to_string())
        };
        assert_eq!(with(&format!("{TOKEN}\n"), 0o600).as_deref(), Ok(TOKEN));
        assert!(with(TOKEN, 0o640).unwrap_err().contains("chmod 600"));
        for bad in ["short", "two words that are long enough", "", "ümlaut-ümlaut-ümlaut-ümlaut"] {
            assert!(with(bad, 0o600).unwrap_err().contains("openssl rand"), "{bad}");
        }
        assert!(read_token(&dir.path().join("none")).is_err());
    }
}
