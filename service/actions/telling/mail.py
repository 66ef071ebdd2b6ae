"""Mail over SMTP: what is told as plain text, to one receiver at a time."""

import re
import smtplib
import ssl
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP as RULES
from email.utils import format_datetime, parseaddr
from typing import Any
from urllib.parse import unquote, urlsplit

from service.actions.telling.outcome import Outcome
from service.core.alerts.webhooks import is_public
from service.settings import Settings

PORTS = {"smtp": 587, "smtps": 465}
SECONDS = 10.0  # for each step
SUBJECT = 150  # letters
UNFIT = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


def compose(to: str, message: str, event: str, told: dict[str, Any], at: datetime, settings: Settings) -> EmailMessage:
    """A message as mail; its Message-ID is the message's, so that a repeat is known as one."""
    assert settings.mail_from is not None
    data = told["data"]
    domain = parseaddr(settings.mail_from)[1].rpartition("@")[2]
    mail = EmailMessage(policy=RULES)
    mail["From"], mail["To"] = settings.mail_from, to
    mail["Subject"] = _subject(event, data)
    mail["Date"], mail["Message-ID"] = format_datetime(at), f"<{message}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday note answers it
    lines = [data["text"] if event == "digest" else data["sentence"], "", f"-- \n{data['workshop']}"]
    if settings.public_url is not None:
        lines.append(settings.public_url)
    mail.set_content(UNFIT.sub(" ", "\n".join(lines)))
    return mail


def _subject(event: str, data: dict[str, Any]) -> str:
    """One line, whatever the names in it hold."""
    if event == "digest":
        count = len(data["alerts"])
        said = f"{data['workshop']}: {count} {'thing' if count == 1 else 'things'} to do today"
    else:
        said = data["sentence"]
    said = " ".join(UNFIT.sub(" ", said).split())
    return said if len(said) <= SUBJECT else f"{said[: SUBJECT - 1]}…"


def send(mail: EmailMessage, settings: Settings) -> Outcome:
    """Hand one mail to the mail server; its refusals are an outcome."""
    assert settings.smtp_url is not None
    where = urlsplit(settings.smtp_url)
    host = where.hostname or ""
    domain = parseaddr(settings.mail_from or "")[1].rpartition("@")[2]
    try:
        with _connected(where.scheme, host, where.port or PORTS[where.scheme], domain) as server:
            server.ehlo()
            safe = where.scheme == "smtps"
            if not safe and server.has_extn("starttls"):
                server.starttls(context=ssl.create_default_context())
                safe = True
            if where.username:
                if not safe and not _here(host):
                    return Outcome(False, error="the mail server offers no encryption: the password was not sent")
                server.login(unquote(where.username), unquote(where.password or ""))
            server.send_message(mail)
        return Outcome(True)
    except smtplib.SMTPRecipientsRefused as error:
        status, said = next(iter(error.recipients.values()))
        return Outcome(False, status, f"the mail server refused the address: {_plain(said)}")
    except smtplib.SMTPResponseException as error:
        return Outcome(False, error.smtp_code, f"the mail server said: {_plain(error.smtp_error)}")
    except (smtplib.SMTPException, OSError, ValueError) as error:
        return Outcome(False, error=f"the mail server could not be used: {_plain(str(error) or type(error).__name__)}")


def _connected(scheme: str, host: str, port: int, domain: str) -> smtplib.SMTP:
    """A greeted connection; the sender's domain is our name, for this machine's may take long to find out."""
    if scheme == "smtps":
        return smtplib.SMTP_SSL(host, port, domain, timeout=SECONDS, context=ssl.create_default_context())
    return smtplib.SMTP(host, port, domain, timeout=SECONDS)


def _here(host: str) -> bool:
    """Whether the mail server is on this machine or in a network of its own."""
    try:
        return not is_public(host)
    except ValueError:
        return host == "localhost"


def _plain(said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return " ".join(UNFIT.sub(" ", text).split())[:200]
