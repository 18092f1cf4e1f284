// Follows a filing under way; its end leads on.
const box = document.getElementById("filing");
if (box) {
  const address = `/filing?job=${encodeURIComponent(box.dataset.job)}`;
  const told = new EventSource(`/filing/events?job=${encodeURIComponent(box.dataset.job)}`);
  told.onmessage = (event) => {
    const state = JSON.parse(event.data);
    document.getElementById("filing-says").textContent = `${state.done} of ${state.total}`;
    document.getElementById("filing-bar").value = state.done;
    if (state.word === "running") return;
    told.close();
    location.replace(address);
  };
}
