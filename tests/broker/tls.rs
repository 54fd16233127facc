//! `mqtts://`.

#[cfg(not(feature = "tls"))]
#[test]
fn a_program_without_tls_says_so() {
    use tarewell::mqtt::{Client, Settings, SettingsError, Tls};
    let settings = Settings { tls: Some(Tls::default()), ..Settings::new("localhost", 8883, "bench") };
    let refused = Client::start(settings).map(drop).unwrap_err();
    assert_eq!(refused, SettingsError::TlsNotBuiltIn);
    assert!(refused.to_string().contains("--features tls"), "{refused}");
}

#[cfg(feature = "tls")]
mod built_in {
    use crate::ears::{settings, start};
    use crate::mosquitto::{Mosquitto, program};
    use std::path::{Path, PathBuf};
    use std::process::{Command, Stdio};
    use tarewell::mqtt::{Client, Settings, SettingsError, Tls};

    const KEY: [&str; 5] = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];

    fn openssl(folder: &Path, arguments: &[&str]) {
        let mut command = Command::new("openssl");
        let done = command.current_dir(folder).args(arguments).stderr(Stdio::null()).status().expect("openssl runs");
        assert!(done.success(), "openssl {arguments:?}");
    }

    /// An authority, and keys it vouches for.
    fn authority(folder: &Path, names: &[&str]) {
        openssl(
            folder,
            &[&["req", "-x509", "-keyout", "ca.key", "-out", "ca.crt", "-subj", "/CN=ca"], &KEY[..]].concat(),
        );
        std::fs::write(folder.join("names"), "subjectAltName=IP:127.0.0.1\n").unwrap();
        for name in names {
            let [key, request, certificate] = ["key", "csr", "crt"].map(|kind| format!("{name}.{kind}"));
            openssl(folder, &[&["req", "-keyout", &key, "-out", &request, "-subj", "/CN=x"], &KEY[..]].concat());
            let sign = ["-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-extfile", "names"];
            openssl(folder, &[&["x509", "-req", "-in", &request, "-out", &certificate], &sign[..]].concat());
        }
    }

    #[tokio::test]
    async fn it_connects_to_a_broker_whose_authority_it_trusts_and_to_no_other() {
        let Some(program) = program() else { return eprintln!("SKIPPED: no mosquitto program on this machine") };
        if Command::new("openssl").arg("version").stdout(Stdio::null()).status().is_err() {
            return eprintln!("SKIPPED: no openssl program on this machine");
        }
        let (good, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        authority(good.path(), &["server", "client"]);
        authority(other.path(), &[]);
        let file = |name: &str| good.path().join(name).display().to_string();
        // Started by root, it would become another user, who may not read the keys.
        let lines = format!(
            "user root\nallow_anonymous true\nrequire_certificate true\ncafile {}\ncertfile {}\nkeyfile {}",
            file("ca.crt"),
            file("server.crt"),
            file("server.key")
        );
        let mosquitto = Mosquitto::program(program, &lines);
        let tls = |ca: PathBuf| {
            let own = |name: &str| Some(good.path().join(name));
            let tls =
                Tls { ca_file: Some(ca), client_cert_file: own("client.crt"), client_key_file: own("client.key") };
            Settings { tls: Some(tls), ..settings(mosquitto.addr(), "bench", &["a"]) }
        };
        let (_client, mut ears) = start(tls(good.path().join("ca.crt")));
        assert_eq!(ears.up().await, 1);
        let (_client, mut ears) = start(tls(other.path().join("ca.crt")));
        let (why, _) = ears.down().await;
        assert!(why.contains("certificate"), "{why}");
    }

    #[test]
    fn files_that_cannot_be_used_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("ca.crt");
        std::fs::write(&file, "no PEM").unwrap();
        let start = |tls| Client::start(Settings { tls: Some(tls), ..Settings::new("localhost", 8883, "b") }).map(drop);
        let ca = |file: &Path| Tls { ca_file: Some(file.to_owned()), ..Tls::default() };
        assert!(matches!(start(ca(&file)), Err(SettingsError::TlsFile(named, _)) if named == file));
        let missing = folder.path().join("missing");
        assert!(matches!(start(ca(&missing)), Err(SettingsError::TlsFile(named, _)) if named == missing));
        let half = Tls { client_key_file: Some(file), ..Tls::default() };
        assert!(matches!(start(half), Err(SettingsError::Tls(_))));
    }
}
