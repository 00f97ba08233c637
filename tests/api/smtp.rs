//! A small mail server with scripted faults, for tests: it speaks enough SMTP (RFC 5321) with AUTH PLAIN to take letters, keeps what it accepted, and
//! says at each step that it was reached.
use std::{
    collections::VecDeque,
    net::SocketAddr,
    sync::{Arc, Mutex},
    time::Duration,
};

use tokio::{
    io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader},
    net::{TcpListener, TcpStream},
};
use tokio_rustls::{
    TlsAcceptor,
    rustls::{
        ServerConfig,
        pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject},
    },
};

/// A connection, encrypted or not.
trait Both: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Both for T {}
type Stream = BufReader<Box<dyn Both>>;

/// A key and certificate that nobody has signed but itself, made for these tests alone.
fn acceptor() -> TlsAcceptor {
    let certificate = CertificateDer::from_pem_slice(include_bytes!("mail_server.pem")).unwrap();
    let key = PrivateKeyDer::from_pem_slice(include_bytes!("mail_server.pem")).unwrap();
    let config = ServerConfig::builder().with_no_client_auth().with_single_cert(vec![certificate], key).unwrap();
    TlsAcceptor::from(Arc::new(config))
}

/// A step of taking a letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// The connection stands; no greeting was sent.
    Connect,
    /// The sender was named.
    Mail,
    /// The recipient was named.
    Rcpt,
    /// The message was announced.
    Data,
    /// The whole message came; it is not accepted yet.
    Message,
    /// It is accepted and kept; the answer was not sent.
    Accepted,
    /// The answer was sent.
    Answered,
}
impl Step {
    /// All of them, in order.
    pub const ALL: [Self; 7] = [Self::Connect, Self::Mail, Self::Rcpt, Self::Data, Self::Message, Self::Accepted, Self::Answered];
}

/// What goes wrong with one letter.
#[derive(Clone, Debug)]
pub enum Fault {
    /// This answer at a step instead of a yes.
    Answer(Step, &'static str),
    /// The connection ends there.
    Close(Step),
    /// A pause there, then it goes on.
    Pause(Step, Duration),
}
impl Fault {
    fn step(&self) -> Step {
        match self {
            Self::Answer(step, _) | Self::Close(step) | Self::Pause(step, _) => *step,
        }
    }
}

/// A letter that was accepted.
#[derive(Clone, Debug)]
pub struct Taken {
    /// The recipients named to the server.
    pub to: Vec<String>,
    /// The message.
    pub bytes: Vec<u8>,
}

type Hook = Box<dyn Fn(Step) + Send + Sync>;

#[derive(Default)]
struct Shared {
    taken: Mutex<Vec<Taken>>,
    faults: Mutex<VecDeque<Fault>>,
    logins: Mutex<Vec<String>>,
    offers_tls: Mutex<bool>,
    encrypted: Mutex<usize>,
    hook: Mutex<Option<Hook>>,
}

/// The server; gone with its value.
pub struct MailServer {
    pub address: SocketAddr,
    shared: Arc<Shared>,
    task: tokio::task::JoinHandle<()>,
}
impl Drop for MailServer {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl MailServer {
    /// A server on a free port.
    pub async fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let (address, shared) = (listener.local_addr().unwrap(), Arc::<Shared>::default());
        let kept = Arc::clone(&shared);
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let shared = Arc::clone(&kept);
                tokio::spawn(async move { serve(stream, &shared).await });
            }
        });
        Self { address, shared, task }
    }
    /// What goes wrong with the next letters, one fault for each.
    pub fn next(&self, faults: impl IntoIterator<Item = Fault>) {
        self.shared.faults.lock().unwrap().extend(faults);
    }
    /// Offers STARTTLS from now on, and takes no letter without it.
    pub fn offer_tls(&self) {
        *self.shared.offers_tls.lock().unwrap() = true;
    }
    /// How many connections were encrypted.
    pub fn encrypted(&self) -> usize {
        *self.shared.encrypted.lock().unwrap()
    }
    /// What is done at each step.
    pub fn at_each_step(&self, hook: impl Fn(Step) + Send + Sync + 'static) {
        *self.shared.hook.lock().unwrap() = Some(Box::new(hook));
    }
    /// What was accepted so far.
    pub fn taken(&self) -> Vec<Taken> {
        self.shared.taken.lock().unwrap().clone()
    }
    /// The logins that were tried, as they came.
    pub fn logins(&self) -> Vec<String> {
        self.shared.logins.lock().unwrap().clone()
    }
}

/// One connection; ends where the client or a fault ends it.
async fn serve(stream: TcpStream, shared: &Shared) -> Option<()> {
    let mut stream: Stream = BufReader::new(Box::new(stream));
    let mut wants_tls = *shared.offers_tls.lock().unwrap();
    let mut fault = shared.faults.lock().unwrap().pop_front();
    reach(&mut stream, shared, fault.as_ref(), Step::Connect).await?;
    say(&mut stream, "220 mail.example.org").await?;
    let (mut to, mut letters) = (Vec::new(), 0);
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line).await.ok()? == 0 {
            return None;
        }
        let line = line.trim_end();
        let verb = line.split([' ', ':']).next().unwrap_or_default().to_ascii_uppercase();
        let answer = match verb.as_str() {
            "EHLO" if wants_tls => "250-mail.example.org\r\n250 STARTTLS",
            "STARTTLS" if wants_tls => {
                say(&mut stream, "220 go on").await?;
                let encrypted = acceptor().accept(stream.into_inner()).await.ok()?;
                stream = BufReader::new(Box::new(encrypted));
                *shared.encrypted.lock().unwrap() += 1;
                wants_tls = false;
                continue;
            }
            "MAIL" | "AUTH" if wants_tls => "530 5.7.0 Must issue a STARTTLS command first",
            "EHLO" => "250-mail.example.org\r\n250 AUTH PLAIN",
            "AUTH" => {
                shared.logins.lock().unwrap().push(line.to_owned());
                // "\0ada\0open sesame", in base64.
                if line == "AUTH PLAIN AGFkYQBvcGVuIHNlc2FtZQ==" { "235 come in" } else { "535 5.7.8 who are you" }
            }
            "MAIL" => {
                if letters > 0 {
                    fault = shared.faults.lock().unwrap().pop_front();
                }
                letters += 1;
                to.clear();
                reach(&mut stream, shared, fault.as_ref(), Step::Mail).await?.unwrap_or("250 go on")
            }
            "RCPT" => {
                to.push(line.split(['<', '>']).nth(1).unwrap_or_default().to_owned());
                reach(&mut stream, shared, fault.as_ref(), Step::Rcpt).await?.unwrap_or("250 go on")
            }
            "DATA" => {
                if let Some(answer) = reach(&mut stream, shared, fault.as_ref(), Step::Data).await? {
                    answer
                } else {
                    say(&mut stream, "354 go on").await?;
                    let bytes = message(&mut stream).await?;
                    if let Some(answer) = reach(&mut stream, shared, fault.as_ref(), Step::Message).await? {
                        answer
                    } else {
                        shared.taken.lock().unwrap().push(Taken { to: to.clone(), bytes });
                        let answer = reach(&mut stream, shared, fault.as_ref(), Step::Accepted).await?.unwrap_or("250 2.0.0 taken");
                        say(&mut stream, answer).await?;
                        reach(&mut stream, shared, fault.as_ref(), Step::Answered).await?;
                        continue;
                    }
                }
            }
            "QUIT" => {
                say(&mut stream, "221 bye").await?;
                return None;
            }
            "NOOP" | "RSET" => "250 fine",
            _ => "500 what",
        };
        say(&mut stream, answer).await?;
    }
}

/// Says that a step was reached; `None` ends the connection, an answer in it replaces the usual one.
async fn reach(stream: &mut Stream, shared: &Shared, fault: Option<&Fault>, step: Step) -> Option<Option<&'static str>> {
    if let Some(hook) = &*shared.hook.lock().unwrap() {
        hook(step);
    }
    match fault.filter(|fault| fault.step() == step) {
        Some(Fault::Answer(Step::Connect, answer)) => {
            say(stream, answer).await?;
            None
        }
        Some(Fault::Answer(_, answer)) => Some(Some(answer)),
        Some(Fault::Close(_)) => None,
        Some(Fault::Pause(_, pause)) => {
            tokio::time::sleep(*pause).await;
            Some(None)
        }
        None => Some(None),
    }
}

async fn say(stream: &mut Stream, line: &str) -> Option<()> {
    stream.get_mut().write_all(format!("{line}\r\n").as_bytes()).await.ok()
}

/// The message up to the line with a single dot, without the dots that were added on the way.
async fn message(stream: &mut Stream) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    loop {
        let mut line = Vec::new();
        if stream.read_until(b'\n', &mut line).await.ok()? == 0 {
            return None;
        }
        if line == b".\r\n" {
            return Some(bytes);
        }
        bytes.extend_from_slice(line.strip_prefix(b".").unwrap_or(&line));
    }
}
