// An SMPP server for the tests, made of the npm package `smpp`.
//
// It listens on a port of its own choice on loopback. Commands come as lines of JSON on stdin,
// what happens goes out as lines of JSON on stdout. With its stdin it ends.
"use strict";

const fs = require("fs");
const readline = require("readline");
const smpp = require("smpp");

const OK = 0;
const RECEIPT = 0x04; // esm_class of an SMSC delivery receipt

// What to do with the next requests; the command "behave" changes it, "reset" undoes that.
const PLAIN = {
  bind_status: OK,
  statuses: [], // for the next submits, one each, then OK
  unanswered: 0, // so many of the next submits get no answer
  drop: 0, // so many of the next submits end the connection instead
  delay_ms: 0,
  receipts: "none", // none, after, before, twice
  receipt: "both", // tags, text, both
  stat: "DELIVRD",
  error: "000",
  silent_links: false, // leave enquire_link unanswered
  again: false, // deliver a receipt again that was not taken now, a little later
  quiet: false, // tell nothing of submits, as in a benchmark
};
const behaviour = {};
const STATES = { ENROUTE: 1, DELIVRD: 2, EXPIRED: 3, DELETED: 4, UNDELIV: 5, ACCEPTD: 6, UNKNOWN: 7, REJECTD: 8 };

let session = null; // the one that bound last
let count = 0;

function tell(event, rest) {
  process.stdout.write(JSON.stringify({ event, ...rest }) + "\n");
}

function plain(pdu) {
  const fields = {};
  for (const [name, value] of Object.entries(pdu)) {
    if (Buffer.isBuffer(value)) fields[name] = value.toString("hex");
    else if (name === "short_message" || name === "message_payload") {
      const udh = value.udh ? Buffer.concat(value.udh.map ? value.udh : [value.udh]).toString("hex") : "";
      fields[name] = Buffer.isBuffer(value.message) ? value.message.toString("hex") : value.message;
      if (udh) fields.udh = udh;
    } else if (typeof value !== "function") fields[name] = value;
  }
  return fields;
}

function sendReceipt(to, submit, id) {
  const pdu = {
    source_addr: submit.destination_addr,
    source_addr_ton: submit.dest_addr_ton,
    source_addr_npi: submit.dest_addr_npi,
    destination_addr: submit.source_addr,
    esm_class: RECEIPT,
  };
  if (behaviour.receipt !== "tags") {
    pdu.short_message = `id:${id} sub:001 dlvrd:001 submit date:2603020600 done date:2603020601 stat:${behaviour.stat} err:${behaviour.error} text:`;
  }
  if (behaviour.receipt !== "text") {
    pdu.receipted_message_id = id;
    pdu.message_state = STATES[behaviour.stat];
  }
  to.deliver_sm(pdu, (response) => {
    if (!behaviour.quiet) tell("receipt_answered", { id, status: response.command_status });
    if (behaviour.again && response.command_status !== OK) setTimeout(() => sendReceipt(to, submit, id), 100);
  });
}

function answerSubmit(to, submit) {
  const status = behaviour.statuses.length ? behaviour.statuses.shift() : OK;
  const id = `m${++count}`;
  if (!behaviour.quiet) tell("submit", { id, status, pdu: plain(submit) });
  if (behaviour.drop > 0) {
    behaviour.drop -= 1;
    to.destroy();
    return;
  }
  if (behaviour.unanswered > 0) {
    behaviour.unanswered -= 1;
    return;
  }
  const wanted = status === OK && behaviour.receipts !== "none" && submit.registered_delivery & 1;
  if (wanted && behaviour.receipts === "before") sendReceipt(to, submit, id);
  const answer = () => {
    to.send(submit.response({ message_id: id, command_status: status }));
    if (behaviour.delay_ms) tell("answered", { id });
    if (wanted && behaviour.receipts !== "before") sendReceipt(to, submit, id);
    if (wanted && behaviour.receipts === "twice") sendReceipt(to, submit, id);
  };
  if (behaviour.delay_ms) setTimeout(answer, behaviour.delay_ms);
  else answer();
}

function listenTo(new_session) {
  new_session.on("bind_transceiver", (pdu) => {
    tell("bind", { pdu: plain(pdu), status: behaviour.bind_status });
    new_session.send(pdu.response({ command_status: behaviour.bind_status, system_id: "peer" }));
    if (behaviour.bind_status === OK) session = new_session;
    else new_session.close();
  });
  new_session.on("submit_sm", (pdu) => answerSubmit(new_session, pdu));
  new_session.on("enquire_link", (pdu) => {
    if (!behaviour.silent_links) new_session.send(pdu.response());
    tell("enquire_link", {});
  });
  new_session.on("unbind", (pdu) => {
    tell("unbind", {});
    new_session.send(pdu.response());
    new_session.close();
  });
  new_session.on("unbind_resp", () => tell("unbind_resp", {}));
  new_session.on("generic_nack", (pdu) => tell("generic_nack", { status: pdu.command_status, sequence: pdu.sequence_number }));
  new_session.on("close", () => tell("closed", {}));
  new_session.on("error", (error) => tell("error", { reason: String(error.message) }));
}

const commands = {
  reset: () => {
    Object.assign(behaviour, structuredClone(PLAIN));
    count = 0;
  },
  behave: (rest) => Object.assign(behaviour, rest),
  deliver: ({ name, pdu }) => {
    for (const field of ["short_message", "message_payload"]) {
      if (field in pdu) pdu[field] = Buffer.from(pdu[field], "hex");
    }
    if (pdu.its_session_info) pdu.its_session_info = Buffer.from(pdu.its_session_info, "hex");
    session.deliver_sm(pdu, (response) => tell("delivered", { name, command: response.command, status: response.command_status }));
  },
  enquire: () => session.enquire_link(() => tell("enquire_link_resp", {})),
  unbind: () => session.unbind(),
  raw: ({ hex }) => session.socket.write(Buffer.from(hex, "hex")),
  drop: () => session.destroy(),
};

commands.reset();
const [key, cert] = process.argv.slice(2);
const options = key ? { key: fs.readFileSync(key), cert: fs.readFileSync(cert) } : {};
const server = smpp.createServer(options, listenTo);
server.on("error", (error) => tell("error", { reason: String(error.message) }));
server.on("tlsClientError", (error) => tell("error", { reason: String(error.message) }));
server.listen(0, "127.0.0.1", () => tell("listening", { port: server.address().port }));

readline
  .createInterface({ input: process.stdin })
  .on("line", (line) => {
    const { do: what, ...rest } = JSON.parse(line);
    commands[what](rest);
    tell("done", { what });
  })
  .on("close", () => process.exit(0));
