"use strict";
// Says how old a kept page is, and goes on saying it.
(() => {
  const age = document.getElementById("age");
  function tell() {
    const s = (Date.now() - Number(age.dataset.kept)) / 1000;
    const told = s + Number(age.dataset.aged);
    if (!age.dataset.kept || s < 0 || !Number.isFinite(told)) return;
    const ago = told < 120 ? `${Math.round(told)} s` : told < 7200 ? `${Math.round(told / 60)} min` : told < 172800 ? `${Math.round(told / 3600)} h` : `${Math.round(told / 86400)} d`;
    age.textContent = age.dataset.text.replace("{ago}", ago);
  }
  tell();
  setInterval(tell, 60000);
})();
