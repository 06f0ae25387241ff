"""Who is turned away from the desk, and what no request can do: each tried on a desk that is served."""

import json
import socket

import pytest

GOOD_MOVE = {"moves": {}}


@pytest.fixture
def client(shared):
    return shared


def test_only_the_loopback_address_is_listened_on(sitting) -> None:
    assert sitting.served._socket.getsockname()[0] == "127.0.0.1"
    others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)} - {"127.0.0.1"}
    for address in [*others, "127.0.0.2"]:
        with socket.socket() as trial:
            trial.settimeout(2)
            assert trial.connect_ex((address, sitting.port)) != 0


def test_nothing_opens_without_the_cookie(client) -> None:
    stranger = type(client)(client.port)
    for path in ("/", "/static/main.js", "/api/items", "/api/items/1", "/api/items/1/picture/full", "/none"):
        status, headers, body = stranger.ask("GET", path)
        assert (status, b"tee" in body) == (403, False), path
        assert "set-cookie" not in headers
    for path in ("/api/items/1/measure", "/api/items/1/decision", "/api/close"):
        assert stranger.ask("POST", path, b"{}")[0] == 403
    for cookie in ("", "x", f"toeline_desk_{client.port}=", f"toeline_desk_{client.port}=guess", "; ;=;"):
        assert stranger.ask("GET", "/api/items", Cookie=cookie)[0] == 403
    assert client.ask("GET", "/api/items")[0] == 200


def test_the_token_opens_once(sitting) -> None:
    path = sitting.address[sitting.address.index("/?") :]
    first = sitting.client()
    stranger = type(first)(sitting.port)
    status, headers, _ = stranger.ask("GET", path)
    assert status == 403
    assert "set-cookie" not in headers
    assert first.ask("GET", path)[0] == 303  # whoever has the cookie is only sent on
    assert first.ask("GET", "/api/items")[0] == 200


@pytest.mark.parametrize("token", ["", "guess", "%00", "a" * 5000, "%ff", "tok&token=en"])
def test_another_token_opens_nothing(client, token: str) -> None:
    stranger = type(client)(client.port)
    assert stranger.ask("GET", f"/?token={token}")[0] == 403


def test_the_token_is_bound_to_the_page_itself(sit, measured) -> None:
    sat = sit(measured)
    token = sat.address.partition("token=")[2]
    known = sat.client()
    fresh = sit(measured)
    stranger = type(known)(fresh.port)
    assert stranger.ask("GET", f"/api/items?token={fresh.address.partition('token=')[2]}")[0] == 403
    assert stranger.ask("GET", f"/?token={token}")[0] == 403  # of another desk
    assert known.cookie.partition("=")[0] != f"toeline_desk_{fresh.port}"


def test_the_cookie_stays_with_the_browser_and_the_site(sit, measured) -> None:
    sat = sit(measured)
    from_address = sat.address[sat.address.index("/?") :]
    status, headers, _ = type(sit(measured).client())(sat.port).ask("GET", from_address)
    assert status == 303
    assert headers["location"] == "/"
    cookie = headers["set-cookie"].lower()
    for part in ("httponly", "samesite=strict", "path=/"):
        assert part in cookie
    assert "domain" not in cookie
    assert len(cookie.partition("=")[2].partition(";")[0]) >= 43  # 256 bits


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "example.org:{port}",
        "127.0.0.1",
        "localhost",
        "127.0.0.1:1",
        "127.0.0.1.example.org:{port}",
        "localhost:{port}.",
        "[::1]:{port}",
        "0.0.0.0:{port}",
        "",
        "user@127.0.0.1:{port}",
    ],
)
def test_another_host_name_is_turned_away(client, host: str) -> None:
    """A name on the web that resolves to this machine reaches the port, but not the desk."""
    for method in ("GET", "POST"):
        named = host.format(port=client.port)
        assert client.ask(method, "/api/items", b"{}" if method == "POST" else None, Host=named)[0] in (400, 403)


def test_a_missing_or_doubled_host_is_turned_away(client) -> None:
    assert client.ask("GET", "/api/items", Host=None)[0] == 400
    own = f"127.0.0.1:{client.port}"
    with socket.create_connection(("127.0.0.1", client.port), timeout=5) as raw:
        raw.sendall(
            f"GET /api/items HTTP/1.1\r\nHost: {own}\r\nHost: {own}\r\nCookie: {client.cookie}\r\n\r\n".encode()
        )
        assert raw.recv(200).split()[1] in (b"400", b"403")


def test_localhost_is_this_desk_too(client) -> None:
    assert client.ask("GET", "/api/items", Host=f"localhost:{client.port}")[0] == 200


@pytest.mark.parametrize(
    "origin",
    [
        "https://example.org",
        "null",
        "",
        "http://127.0.0.1",
        "http://127.0.0.1:1",
        "https://127.0.0.1:{port}",
        "http://127.0.0.1:{port}.example.org",
        "http://127.0.0.1:{port}/",
        "http://localhost:{port}",
    ],
)
def test_another_origin_is_turned_away(client, origin: str) -> None:
    named = origin.format(port=client.port)
    assert client.ask("POST", "/api/items/1/measure", json.dumps(GOOD_MOVE).encode(), Origin=named)[0] == 403
    assert client.ask("GET", "/api/items", Origin=named)[0] == 403


def test_a_change_without_an_origin_is_turned_away(client) -> None:
    for path in ("/api/items/1/decision", "/api/close"):
        assert client.ask("POST", path, b"{}", Origin=None)[0] == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_site_is_turned_away_even_with_the_cookie(client, site: str) -> None:
    assert client.ask("GET", "/api/items", Sec_Fetch_Site=site)[0] == 403
    assert client.ask("GET", "/api/items", Sec_Fetch_Site="same-origin")[0] == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "PROPFIND"])
def test_other_methods_are_not_answered(client, method: str) -> None:
    assert client.ask(method, "/api/items")[0] == 405


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/app.py",
        "/static/..%5capp.py",
        "/../../etc/passwd",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/main.js%00.html",
        "/static/",
        "/static/__init__.py",
        "/api/items/..%2f..%2fetc%2fpasswd",
        "/api/items/1/picture/..%2f..%2fresult.json",
        "/api/items/1/picture/huge",
        "/api/items/0",
        "/api/items/-1",
        "/api/items/99",
        "/api/items/1e0",
        "/api/items/result.json",
        "/api/items/%00",
    ],
)
def test_no_path_from_outside_reaches_a_file(client, path: str) -> None:
    status, _, body = client.ask("GET", path)
    assert status in (400, 404)
    assert b"root:" not in body
    assert b"toeline.result" not in body
    assert b"starlette" not in body


def test_large_bodies_are_refused(client) -> None:
    for path in ("/api/items/1/measure", "/api/items/1/decision", "/api/none"):
        assert client.ask("POST", path, b" " * 64_001)[0] == 413
        # told to be small, and told to be huge without being sent
        assert client.ask("POST", path, None, Content_Length="99999999999999999999")[0] in (400, 413)
        assert client.ask("POST", path, None, Content_Length="-5")[0] in (400, 413)
    chunk = b"1000\r\n" + b" " * 4096 + b"\r\n"
    status, _, _ = client.ask("POST", "/api/items/1/measure", chunk * 20 + b"0\r\n\r\n", Transfer_Encoding="chunked")
    assert status == 413


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"{", 400),
        (b"\xff\xfe", 400),
        (b"[]", 400),
        (b"7", 400),
        (b"null", 400),
        (b'{"moves": NaN}', 400),
        (b'{"moves": {"toe_left": [NaN, 1]}}', 400),
        (b'{"moves": {"toe_left": [Infinity, 1]}}', 400),
        (b'{"moves": {"toe_left": [1e999, 1]}}', 400),
        (b"[" * 30_000, 400),
        (b'{"a":' * 9_000, 400),
        (b"9" * 60_000, 400),
        (b"{}", 422),
        (b'{"moves": []}', 422),
        (b'{"moves": {"toe_left": [1e300, 1]}}', 422),
        (b'{"moves": {"toe_left": [-40, 1]}}', 422),
        (b'{"moves": {"toe_left": [3000, 1]}}', 422),
        (b'{"moves": {"toe_left": ["1", 1]}}', 422),
        (b'{"moves": {"toe_left": {"__proto__": 1}}}', 422),
        (b'{"moves": {"plate_left": [[1, 1], [1, 1]]}}', 422),
        (b'{"moves": {"plate_left": [[1, 1], [2900, 2200], [1, 1]]}}', 422),
        (b'{"moves": {"section": [1, 1]}}', 422),
        (b'{"moves": {"toe_left": [' + b"9" * 5000 + b", 1]}}", 400),
    ],
)
def test_bad_requests_get_a_sentence(client, body: bytes, status: int) -> None:
    found, _, answer = client.ask("POST", "/api/items/1/measure", body)
    assert found == status
    assert json.loads(answer)["message"].endswith(".")


def test_a_form_of_another_page_is_no_request(client) -> None:
    """A plain form can be sent across sites without asking first; it cannot say that it is JSON."""
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "application/jsonp"):
        assert client.ask("POST", "/api/items/1/measure", b"{}", Content_Type=kind)[0] == 415


def test_every_answer_carries_the_policy(client) -> None:
    stranger = type(client)(client.port)
    for who, path in (
        (client, "/"),
        (client, "/static/main.js"),
        (client, "/api/items"),
        (client, "/none"),
        (stranger, "/"),
    ):
        _, headers, _ = who.ask("GET", path)
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert "http" not in policy.replace("https", "")
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert headers["referrer-policy"] == "no-referrer"
        assert "server" not in headers
        assert "access-control-allow-origin" not in headers


def test_the_page_names_no_other_place(client) -> None:
    names = [
        "",
        *(
            f"static/{name}"
            for name in ("main.js", "api.js", "dom.js", "overlay.js", "values.js", "view.js", "desk.css")
        ),
    ]
    for name in names:
        status, _, body = client.ask("GET", f"/{name}")
        assert status == 200
        text = body.decode().replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text
        assert "https:" not in text
        for word in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
            assert word not in text, name
