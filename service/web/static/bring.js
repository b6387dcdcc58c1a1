// Shows how much of a file has been sent. The form works without it.
"use strict";
for (const form of document.querySelectorAll("form.bring")) {
  form.addEventListener("submit", (event) => {
    const sending = new XMLHttpRequest();
    const coming = form.querySelector(".coming");
    event.preventDefault();
    coming.hidden = false;
    form.querySelector("button").disabled = true;
    sending.upload.addEventListener("progress", (now) => {
      const share = now.lengthComputable ? Math.floor((100 * now.loaded) / now.total) : 0;
      coming.querySelector("progress").value = share;
      coming.querySelector(".far").textContent = `${share}\u00a0%`;
    });
    sending.addEventListener("load", () => {
      if (sending.status === 200) return location.assign(sending.responseURL);
      document.open(); // a page that says what is wrong
      document.write(sending.responseText);
      document.close();
    });
    sending.addEventListener("error", () => {
      form.querySelector("button").disabled = false;
      coming.querySelector(".far").textContent = coming.dataset.lost;
    });
    sending.open("POST", form.action);
    sending.send(new FormData(form));
  });
}
