// Requests to the server that this page came from.

// The key comes in the address, and stays in this window: it is never a cookie, which every other
// server on this machine would be sent, and no other page can read it.
const given = new URLSearchParams(location.search).get("token");
if (given) sessionStorage.setItem("key", given);
if (location.search) history.replaceState(null, "", `/${location.hash}`);

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
  // Another start of the server has another key.
  if (answer.status === 401) window.dispatchEvent(new Event("locked"));
  throw Object.assign(new Error(text), { needsPitch, status: answer.status });
}

async function send(path, options = {}) {
  let answer;
  try {
    const headers = { Authorization: `Bearer ${sessionStorage.getItem("key") || ""}`, ...options.headers };
    answer = await fetch(path, { credentials: "omit", ...options, headers });
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

// An address that the browser may open by itself, without the key, within the next minute.
export async function ticketed(address) {
  const { ticket } = await post("/api/tickets", { path: address });
  return `${address}?${new URLSearchParams({ ticket })}`;
}

// A picture that the server draws.
export async function showImage(image, address) {
  image.src = `data:image/svg+xml,${encodeURIComponent(await (await send(address)).text())}`;
}

const LAST = ["done", "failed", "lost"];
const RETRY_MS = 1000;

// Server-sent events of a job (an EventSource sends no key); if the line breaks, it is asked again
// from where it was.
export function follow(job, onEvent) {
  const ending = new AbortController();
  const read = async () => {
    let next = "0";
    for (;;) {
      try {
        const answer = await send(`${path("jobs", job, "events")}?from=${next}`, { signal: ending.signal });
        const lines = answer.body.pipeThrough(new TextDecoderStream()).getReader();
        for (let rest = ""; ;) {
          const { value, done } = await lines.read();
          if (done) break;
          const blocks = (rest + value).split("\n\n");
          rest = blocks.pop();
          for (const block of blocks) {
            next = block.match(/^id: (\d+)/)?.[1] || next;
            const data = block.match(/^data: (.*)$/m)?.[1];
            if (!data) continue;
            const event = JSON.parse(data);
            onEvent(event);
            if (LAST.includes(event.kind)) return;
          }
        }
      } catch (error) {
        if (ending.signal.aborted || error.status) return;
      }
      await new Promise((resolve) => setTimeout(resolve, RETRY_MS));
    }
  };
  read();
  return () => ending.abort();
}
