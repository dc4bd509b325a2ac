"use strict";
const computing = Computing.ofPage();
const element = id => document.getElementById(id);
element("files").addEventListener("change", event =>
    computing.add([...event.target.files].map(file => ({ path: file.webkitRelativePath || file.name, blob: file }))));
element("run").addEventListener("click", async () => {
    const answer = await computing.run(element("words").value.split(" "), line => { element("answer").textContent = line; });
    element("answer").textContent = answer.standard_output + answer.standard_error;
});
