// The service as the page sees it: the requests of the public API, one clock, and one change at a time.

const ANSWER_MS = 15_000;
const WAITS_SECONDS = [1, 2, 4, 8, 15];
const AGAIN = [429, 502, 503, 504];

// An answer that refuses: its status and its problem document.
export class Refusal extends Error {
  constructor(status, problem) {
    super(problem.title ?? String(status));
    this.status = status;
    this.problem = problem;
    this.faults = problem.errors ?? [];
  }
}

export class Service {
  #key;
  #ahead = null;

  // `connection` is told how many seconds remain until the next try, or null once there is an answer.
  constructor(key, connection) {
    this.#key = key;
    this.connection = connection;
    this.language = "en";
  }

  // The time by the service's clock: the browser's own may be wrong, and readings are judged by their times.
  now() {
    return this.#ahead === null ? Date.now() : performance.now() + this.#ahead;
  }

  // Ask for the time alone; a lost answer changes nothing.
  async look_at_clock() {
    try {
      this.#note(await fetch("../health/live", { cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS) }));
    } catch { /* The next answer brings the time. */ }
  }

  async words() {
    return (await this.#answer("GET", `../v1/words?lang=${this.language}`, {})).body;
  }

  // A sitting as it stands, with its version.
  async read(id) {
    return this.#answer("GET", `../v1/reading-sets/${id}?lang=${this.language}`, {});
  }

  // Send a change until there is an answer: under the same key, so that it is done once however often it arrives.
  async send(change) {
    const headers = { "Content-Type": "application/json", "Idempotency-Key": change.key };
    if (change.version) headers["If-Match"] = change.version;
    return this.#answer("POST", `../v1/reading-sets${change.path}?lang=${this.language}`, headers, JSON.stringify(change.body));
  }

  async #answer(method, url, headers, body) {
    for (let tries = 0; ; tries += 1) {
      const answer = await this.#ask(method, url, headers, body);
      if (answer !== null && !AGAIN.includes(answer.status)) {
        this.connection(null);
        const said = await answer.json();
        if (!answer.ok) throw new Refusal(answer.status, said);
        return { body: said, version: answer.headers.get("ETag") };
      }
      const asked = Number(answer?.headers.get("Retry-After"));
      await this.#wait(asked || WAITS_SECONDS[Math.min(tries, WAITS_SECONDS.length - 1)]);
    }
  }

  async #ask(method, url, headers, body) {
    try {
      const signal = AbortSignal.timeout(ANSWER_MS);
      const sent = { Authorization: `Bearer ${this.#key}`, ...headers };
      const answer = await fetch(url, { method, headers: sent, body, signal, cache: "no-store" });
      this.#note(answer);
      return answer;
    } catch {
      return null;
    }
  }

  #note(answer) {
    const said = Date.parse(answer.headers.get("Date") ?? "");
    if (!Number.isNaN(said)) this.#ahead = said - performance.now();
  }

  #wait(seconds) {
    return new Promise((go_on) => {
      const left = { seconds };
      const end = () => {
        clearInterval(timer);
        removeEventListener("online", end);
        go_on();
      };
      const timer = setInterval(() => {
        left.seconds -= 1;
        if (left.seconds <= 0) end();
        else this.connection(left.seconds, end);
      }, 1000);
      addEventListener("online", end);
      this.connection(seconds, end);
    });
  }
}

// The key of the demonstration's own tenant. The server gives it to its own pages on this machine alone.
export async function key_of_the_demonstration() {
  const answer = await fetch("key", { cache: "no-store" });
  if (!answer.ok) throw new Refusal(answer.status, {});
  return (await answer.json()).key;
}
