"""A gateway reached over SMPP v3.4, as a transceiver: texts out, texts in, receipts, USSD.

`link` says how the peer is reached and what it expects. `gateway` keeps the link and sends;
`session` is one connection, `pace` how fast texts may leave. `inbox` takes what the peer delivers,
`joining` and `receipts` make texts and receipts of it. `texts` are letters in octets and `pdu` is
the wire. `SmppGateway` says what becomes of a text in every case.
"""

from bot.gateways.smpp.gateway import SmppGateway
from bot.gateways.smpp.link import SmppLink

__all__ = ["SmppGateway", "SmppLink"]
