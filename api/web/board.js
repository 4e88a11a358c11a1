// Requests to the board other than the live link.
import { strings } from "/words.js";

/** ask sends one request; the result has either data or why it failed. */
export async function ask(method, path, body) {
  const init = { method, cache: "no-store" };
  if (body !== undefined) {
    init.headers = { "Content-Type": "application/json" };
    init.body = JSON.stringify(body);
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
  return { status: answer.status, why: data?.errors?.[0]?.message ?? data?.detail ?? String(answer.status) };
}
