"""A mail server for the tests (Debian package python3-aiosmtpd).

Prints its port, then every mail that it takes as a line of JSON. The
recipient's name says how it behaves.
"""

import argparse
import asyncio
import json
import ssl
import sys

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword

p = argparse.ArgumentParser()
p.add_argument("--starttls", nargs=2, metavar=("CERT", "KEY"))
p.add_argument("--tls", nargs=2, metavar=("CERT", "KEY"))
p.add_argument("--login", nargs=2, metavar=("USER", "PASSWORD"))
p.add_argument("--port", type=int, default=0)
a = p.parse_args()


def context(files):
    if not files:
        return None
    c = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    c.load_cert_chain(*files)
    return c


def login(server, session, envelope, mechanism, data):
    known = a.login and isinstance(data, LoginPassword) and [data.login.decode(), data.password.decode()] == a.login
    return AuthResult(success=bool(known), handled=bool(known))


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        name = address.split("@")[0]
        if name == "nobody":
            return "550 5.1.1 no such mailbox here"
        if name == "full":
            return "452 4.2.2 mailbox full, come later"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        name = envelope.rcpt_tos[0].split("@")[0]
        if name == "slow":
            await asyncio.sleep(60)
        if name == "picky":
            return "554 5.6.0 this text is not taken"
        print(json.dumps({
            "from": envelope.mail_from, "to": envelope.rcpt_tos, "text": envelope.content.decode(),
            "tls": server.transport.get_extra_info("sslcontext") is not None, "login": session.authenticated,
        }), flush=True)
        if name == "rude":  # takes the mail and hangs up
            server.transport.write(b"250 OK\r\n")
            server.transport.close()
        return "250 OK"


async def main():
    loop = asyncio.get_running_loop()
    required = a.login is not None

    def session():
        return SMTP(
            Handler(), hostname="mail.example", tls_context=context(a.starttls), require_starttls=bool(a.starttls),
            authenticator=login, auth_required=required, auth_require_tls=bool(a.starttls),
        )

    server = await loop.create_server(session, "127.0.0.1", a.port, ssl=context(a.tls))
    print(server.sockets[0].getsockname()[1], flush=True)
    await loop.run_in_executor(None, sys.stdin.read)  # until the test closes it


asyncio.run(main())
