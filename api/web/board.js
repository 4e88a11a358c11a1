// Requests to the board other than the live link.
import { strings } from "/words.js";
import { ready, reason } from "/told.js";

let onRefused = () => {};

/** whenRefused is told when a write was refused because this phone is not paired. */
export function whenRefused(f) {
  onRefused = f;
}

/** ask sends one request; the result has either data or why it failed. */
export async function ask(method, path, body) {
  const init = { method, cache: "no-store" };
  if (method !== "GET") {
    init.headers = { "Content-Type": "application/json" };
    init.body = JSON.stringify(body ?? {});
  }
  let answer;
  try {
    answer = await fetch(path, init);
  } catch {
    return { why: strings.noAnswer };
  }
  let data = null;
  try {
    data = await answer.json();
  } catch {
    // 204 has no body
  }
  if (answer.ok) return { data };
  const refused = method !== "GET" && path !== "/api/v1/pairing" && (answer.status === 401 || answer.status === 403);
  if (refused) onRefused();
  await ready;
  return {
    status: answer.status,
    code: data?.code ?? null,
    why: refused ? strings.pairingFirst : (reason(data?.detail, data?.code) ?? String(answer.status)),
  };
}

let described = null;

/** exists tells whether this board has a resource: not every program has all. */
export async function exists(path) {
  described ??= ask("GET", "/openapi.json");
  const { data } = await described;
  if (!data) described = null; // ask again next time
  return data?.paths?.[path] !== undefined;
}
