// The key of a tablet that comes from another address: asked for once, forgotten on demand.
import { useEffect, useState } from "./vendor/hooks.mjs";
import * as client from "./client.mjs";
import { html } from "./html.mjs";
import { say } from "./words.mjs";

export function Keys({ entered }) {
  const [text, setText] = useState("");
  const [wrong, setWrong] = useState(null);
  const [known, setKnown] = useState(false);
  useEffect(() => { client.hasKey().then(setKnown); }, []);
  const use = async (event) => {
    event.preventDefault();
    await client.useKey(text.trim());
    try {
      await client.machines(); // any key may
      entered();
    } catch (error) {
      await client.forgetKey();
      setWrong(error instanceof client.Away ? say("away") : say("key_wrong"));
    }
  };
  const forget = async () => {
    await client.forgetKey();
    setKnown(false);
    setWrong(say("key_forgotten"));
  };
  return html`<main class="keys-page"><h1 tabindex="-1">${say("key_title")}</h1><p class="lead">${say("key_told")}</p>
    <form onSubmit=${use}><div class="field"><label for="key">${say("key")}</label>
      <input id="key" type="password" autocomplete="off" autocapitalize="off" spellcheck=${false} value=${text} onInput=${(event) => setText(event.target.value)} /></div>
      ${wrong && html`<p class="warn" role="alert">${wrong}</p>`}
      <div class="choices"><button class="button strong" disabled=${text.trim() === ""}>${say("key_use")}</button>
      ${known && html`<button type="button" class="button" onClick=${forget}>${say("key_forget")}</button>`}</div></form></main>`;
}
