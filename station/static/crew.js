// The panel for someone with dry hands: every button gives a command as a card would, and the station's own words are the
// answer. Nothing here changes a record by itself.

export function openCrewPanel(bench) {
  const at = (id) => document.getElementById(id);
  const panel = at("crew");
  let asked = null; // the button that waits to be pressed again
  let words = []; // what it says otherwise

  // Whether the station did it.
  async function give(command) {
    at("answer").textContent = "...";
    let said;
    let done = false;
    try {
      const response = await fetch("/act", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(bench ? { command, bench } : { command }),
      });
      const answer = await response.json();
      said = answer.ok ? answer.said.map((one) => one.sentence).join(" ") || "Done." : answer.error;
      done = answer.ok && !refused(answer.said);
      at("answer").dataset.tone = done ? "good" : "alarm";
    } catch {
      said = "No answer came: look whether it was done before you press again.";
      at("answer").dataset.tone = "alarm";
    }
    at("answer").textContent = said;
    return done;
  }

  function press(button) {
    if (button.getAttribute("aria-disabled") === "true") return;
    if (button.dataset.sure && asked !== button) {
      calm();
      asked = button;
      words = [...button.childNodes];
      button.replaceChildren(button.dataset.sure);
      return;
    }
    calm();
    give(button.dataset.command);
  }

  function calm() {
    asked?.replaceChildren(...words);
    asked = null;
  }

  panel.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-command]");
    if (button) press(button);
    else if (event.target.closest("button")) calm();
  });
  panel.addEventListener("submit", async (event) => {
    event.preventDefault();
    const form = event.target;
    if (form.ariaBusy === "true") return; // pressed twice
    form.ariaBusy = "true";
    if (await give(written(form))) form.reset(); // what was refused is mended, not typed again
    form.ariaBusy = "false";
  });
  panel.addEventListener("close", () => {
    calm();
    at("answer").textContent = "";
    at("answer").dataset.tone = "";
    at("open-crew").focus();
  });
  at("open-crew").addEventListener("click", () => panel.showModal());
  at("close-crew").addEventListener("click", () => panel.close());

  return {
    show(scene) {
      for (const button of panel.querySelectorAll("button[data-can]")) {
        button.setAttribute("aria-disabled", String(!scene.can[button.dataset.can]));
      }
      at("survey-open-button").textContent = scene.survey.provisional ? "Name it so" : "Open it";
      at("survey-open").hidden = scene.can.survey_open && !scene.survey.provisional;
      at("survey-name").hidden = !scene.can.survey_open;
      at("run-end").hidden = !scene.can.run_open;
      at("correcting").textContent = scene.correcting;
      const known = [...at("choices").children].map((one) => one.dataset.slug).join(" ");
      if (known !== scene.choices.map((one) => one.slug).join(" ")) {
        at("choices").replaceChildren(...scene.choices.map(choice));
        at("species-names").replaceChildren(...scene.choices.map(option));
      }
      for (const button of at("choices").children) {
        button.setAttribute("aria-pressed", String(button.textContent === scene.species));
      }
    },
  };
}

function refused(said) {
  return said.some((one) => one.name === "command_refused");
}

function choice(one) {
  const button = document.createElement("button");
  button.type = "button";
  button.dataset.slug = one.slug;
  button.dataset.command = `species ${one.slug}`;
  button.textContent = one.common;
  return button;
}

function option(one) {
  const element = document.createElement("option");
  element.value = one.common;
  return element;
}

// `run end` with its options, or `fate {fate}` with the field put in.
function written(form) {
  const fields = new FormData(form);
  const text = (name) => String(fields.get(name) ?? "").trim();
  if (form.dataset.options === undefined) return form.dataset.form.replace(/\{(\w+)\}/, (_, name) => text(name));
  const names = form.dataset.options.split(" ").filter((name) => text(name));
  return `${form.dataset.form} ${names.map((name) => `${name}=${text(name)}`).join(", ")}`.trim();
}
