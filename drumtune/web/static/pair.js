const form = document.getElementById("pair");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const code = new FormData(form).get("code").trim();
  const answer = await fetch("/pair", { method: "POST", body: JSON.stringify({ code }) });
  if (answer.ok) location.replace("/");
  else document.getElementById("trouble").textContent = (await answer.json()).trouble;
});
