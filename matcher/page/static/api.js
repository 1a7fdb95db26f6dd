// Requests to the server that this page came from.

async function checked(answer) {
  if (answer.ok) return answer;
  let text = `The server answered ${answer.status}.`;
  let needsPitch = false;
  try {
    const said = await answer.clone().json();
    [text, needsPitch] = [said.error || text, said.needs === "pitch"];
  } catch {
    text = (await answer.text()) || text;
  }
  throw Object.assign(new Error(text), { needsPitch });
}

async function send(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, { credentials: "same-origin", ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error("The server doesn't answer. Start it again and open the address that it shows; searches go on by themselves.");
  }
  return checked(answer);
}

export const path = (...parts) => `/api/${parts.map((part) => encodeURIComponent(part)).join("/")}`;
export const get = async (address) => (await send(address)).json();
export const sound = async (address) => (await send(address)).arrayBuffer();
export const remove = async (address) => (await send(address, { method: "DELETE" })).json();

const asJson = (document, signal) => ({
  method: "POST",
  headers: { "Content-Type": "application/json" },
  body: JSON.stringify(document),
  signal,
});

export const post = async (address, document = {}) => (await send(address, asJson(document))).json();

export async function postForSound(address, document, signal) {
  const answer = await send(address, asJson(document, signal));
  return {
    data: await answer.arrayBuffer(),
    gain: Number(answer.headers.get("x-gain") || 1),
    loss: JSON.parse(answer.headers.get("x-loss") || "null"),
  };
}

export async function upload(address, query, content) {
  const answer = await send(`${address}?${new URLSearchParams(query)}`, {
    method: "POST",
    headers: { "Content-Type": "application/octet-stream" },
    body: content,
  });
  return answer.json();
}

// Server-sent events of a job; the browser asks again from where it was if the line breaks.
export function follow(job, onEvent) {
  const source = new EventSource(path("jobs", job, "events"));
  let isOver = false;
  source.onmessage = (message) => {
    const event = JSON.parse(message.data);
    isOver = isOver || ["done", "failed", "lost"].includes(event.kind);
    onEvent(event);
  };
  // The server ends the stream of a job that is over; the browser would ask again.
  source.onerror = () => {
    if (isOver) source.close();
  };
  return () => source.close();
}
