//! A browser without script: it keeps cookies, follows no redirect by itself, and sends forms as they stand on the page.
use reqwest::{Client, header::HeaderMap};

use crate::harness::{Server, database::PASSWORD};

/// A browser at one server.
#[derive(Clone, Debug)]
pub struct Reader {
    address: String,
    client: Client,
}

/// A page as it came.
#[derive(Debug)]
pub struct Page {
    pub status: u16,
    pub headers: HeaderMap,
    pub text: String,
}

impl Reader {
    /// A browser of nobody in particular.
    pub fn new(server: &Server) -> Self {
        let client = Client::builder().cookie_store(true).redirect(reqwest::redirect::Policy::none()).build().expect("a client");
        Self { address: server.address.clone(), client }
    }
    /// A browser of the first workshop's manager.
    pub async fn signed_in(server: &Server) -> Self {
        let reader = Self::new(server);
        let page = reader.send("/sign-in", &[("email", "first@example.org"), ("password", PASSWORD)]).await;
        assert_eq!((page.status, page.location()), (303, "/"));
        reader
    }
    /// A browser of somebody.
    pub async fn signed_in_as(server: &Server, email: &str, password: &str) -> Self {
        let reader = Self::new(server);
        let page = reader.send("/sign-in", &[("email", email), ("password", password)]).await;
        assert_eq!((page.status, page.location()), (303, "/"), "{}", page.text);
        reader
    }
    /// The same browser, with its cookies, at another server of the same database: at another time.
    pub fn at(&self, server: &Server) -> Self {
        Self { address: server.address.clone(), client: self.client.clone() }
    }
    /// GET with a header.
    pub async fn get_with(&self, header: &str, value: &str, path: &str) -> Page {
        self.page(self.client.get(format!("{}{path}", self.address)).header(header, value)).await
    }
    async fn page(&self, request: reqwest::RequestBuilder) -> Page {
        let response = request.send().await.expect("the server answers");
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        Page { status, headers, text: response.text().await.expect("a body in UTF-8") }
    }
    /// GET.
    pub async fn get(&self, path: &str) -> Page {
        self.page(self.client.get(format!("{}{path}", self.address))).await
    }
    /// GET of a file.
    pub async fn get_bytes(&self, path: &str) -> Vec<u8> {
        let response = self.client.get(format!("{}{path}", self.address)).send().await.expect("the server answers");
        assert_eq!(response.status(), 200, "{path}");
        response.bytes().await.expect("a body").to_vec()
    }
    /// POST of a form.
    pub async fn send(&self, path: &str, fields: &[(&str, &str)]) -> Page {
        self.page(self.client.post(format!("{}{path}", self.address)).form(fields)).await
    }
    /// POST of a form with a file.
    pub async fn upload(&self, path: &str, fields: &[(&str, &str)], name: &str, content: &[u8]) -> Page {
        let file = reqwest::multipart::Part::bytes(content.to_vec()).file_name(name.to_owned());
        let text = |form: reqwest::multipart::Form, field: &(&str, &str)| form.text(field.0.to_owned(), field.1.to_owned());
        let form = fields.iter().fold(reqwest::multipart::Form::new(), text).part("file", file);
        self.page(self.client.post(format!("{}{path}", self.address)).multipart(form)).await
    }
    /// POST of a form in parts, with files: field, name and bytes of each.
    pub async fn send_files(&self, path: &str, fields: &[(&str, &str)], files: &[(&str, &str, &[u8])]) -> Page {
        use reqwest::multipart::{Form, Part};
        let text = |form: Form, field: &(&str, &str)| form.text(field.0.to_owned(), field.1.to_owned());
        let mut form = fields.iter().fold(Form::new(), text);
        for (field, name, content) in files {
            form = form.part((*field).to_owned(), Part::bytes(content.to_vec()).file_name((*name).to_owned()));
        }
        self.page(self.client.post(format!("{}{path}", self.address)).multipart(form)).await
    }
    /// POST of a form by a browser that says where it comes from.
    pub async fn send_from(&self, header: &str, value: &str, path: &str, fields: &[(&str, &str)]) -> Page {
        self.page(self.client.post(format!("{}{path}", self.address)).header(header, value).form(fields)).await
    }
    /// POST to an address of a form that stands on another page, with its one-time key.
    pub async fn fill_at(&self, page: &str, path: &str, fields: &[(&str, &str)]) -> Page {
        let key = self.get(page).await.key();
        let all: Vec<_> = [("once", key.as_str())].into_iter().chain(fields.iter().copied()).collect();
        self.send(path, &all).await
    }
    /// POST of the form on a page, with its one-time key.
    pub async fn fill(&self, path: &str, fields: &[(&str, &str)]) -> Page {
        let key = self.get(path).await.key();
        let all: Vec<_> = [("once", key.as_str())].into_iter().chain(fields.iter().copied()).collect();
        self.send(path, &all).await
    }
}

impl Page {
    /// Where it leads.
    pub fn location(&self) -> &str {
        self.header("location")
    }
    /// A header.
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().expect("text"))
    }
    /// The one-time key of the first form.
    pub fn key(&self) -> String {
        self.value("once")
    }
    /// What stands in a field.
    pub fn value(&self, name: &str) -> String {
        let field = format!("name=\"{name}\"");
        let rest = self.text.split_once(&field).unwrap_or_else(|| panic!("no field {name} in {}", self.text)).1;
        let tag = rest.split('>').next().expect("a tag");
        tag.split_once("value=\"").map_or_else(String::new, |(_, rest)| unescaped(rest.split('"').next().unwrap_or_default()))
    }
    /// What stands in the first element of this class.
    pub fn inside(&self, class: &str) -> String {
        let rest = self.text.split_once(&format!("class=\"{class}\"")).unwrap_or_else(|| panic!("no {class} in {}", self.text)).1;
        let inner = rest.split_once('>').expect("a tag").1;
        unescaped(inner.split_once('<').map_or(inner, |(inner, _)| inner))
    }
    /// The value of a cookie that the answer sets.
    pub fn cookie(&self, name: &str) -> String {
        let all = self.headers.get_all("set-cookie").iter().filter_map(|value| value.to_str().ok());
        let found = all.filter_map(|cookie| cookie.split(';').next()?.split_once('=')).find(|(held, _)| *held == name);
        found.map_or_else(String::new, |(_, value)| value.to_owned())
    }
    /// The page, which must hold this text.
    pub fn says(&self, text: &str) -> &Self {
        assert!(self.text.contains(text), "{text:?} is not in ({}) {}", self.status, self.text);
        self
    }
    /// The page, which must not hold this text.
    pub fn hides(&self, text: &str) -> &Self {
        assert!(!self.text.contains(text), "{text:?} is in {}", self.text);
        self
    }
}

/// Text as a browser reads it.
fn unescaped(text: &str) -> String {
    let all = [("&#60;", "<"), ("&#62;", ">"), ("&#34;", "\""), ("&#39;", "'"), ("&#38;", "&")];
    all.iter().fold(text.to_owned(), |text, (written, meant)| text.replace(written, meant))
}
